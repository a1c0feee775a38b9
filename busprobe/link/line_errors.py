"""Error counters of a serial driver: what pyserial leaves out.

Linux drivers count framing errors, parity errors, overruns and breaks, and tell them through
TIOCGICOUNT without touching the data (Linux, include/uapi/linux/serial.h, struct
serial_icounter_struct). Drivers of some cheap adapters offer the call but never count: counters
that stay at zero prove nothing there.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

# cts dsr rng dcd rx tx frame overrun parity brk buf_overrun reserved[9], all int.
_COUNTERS = struct.Struct("20i")
# Linux, include/uapi/asm-generic/ioctls.h.
_TIOCGICOUNT = 0x545D


@dataclass(frozen=True, slots=True)
class LineErrors:
    """Counters since the driver started; differences are what tells.

    Attributes:
        framing: Characters whose stop bit was missing.
        parity: Characters with wrong parity.
        overrun: Characters lost in the hardware or in the driver.
        breaks: Times the line was low for longer than a character.
    """

    framing: int
    parity: int
    overrun: int
    breaks: int

    def __sub__(self, earlier: LineErrors) -> LineErrors:
        return LineErrors(
            self.framing - earlier.framing,
            self.parity - earlier.parity,
            self.overrun - earlier.overrun,
            self.breaks - earlier.breaks,
        )


@runtime_checkable
class LineErrorSource(Protocol):
    """A link that may know the error counters of its line."""

    def line_errors(self) -> LineErrors | None:
        """Counters so far, or None where they are unknown (which does not mean zero).

        Raises:
            LinkError: The link is closed.
        """
        ...


def unpack(raw: bytes) -> LineErrors:
    """Pick the error counters out of a `serial_icounter_struct`."""
    counters = _COUNTERS.unpack(raw)
    _, _, _, _, _, _, frame, overrun, parity, breaks, buffer_overrun = counters[:11]
    return LineErrors(frame, parity, overrun + buffer_overrun, breaks)


def read_line_errors(file_descriptor: int) -> LineErrors | None:
    """Ask the driver for its counters; None where there are none (pty, Windows, macOS)."""
    try:
        import fcntl  # not on Windows
    except ImportError:
        return None
    try:
        return unpack(fcntl.ioctl(file_descriptor, _TIOCGICOUNT, bytes(_COUNTERS.size)))
    except OSError:
        return None
