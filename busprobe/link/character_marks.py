"""Error marks of single characters, out of the byte stream of a POSIX terminal.

With INPCK and PARMRK set and IGNPAR, IGNBRK, BRKINT and ISTRIP clear, the system delivers a
character X that came with a framing or parity error as FF 00 X, a break as FF 00 00, and a good FF
as FF FF (POSIX.1-2017, Base Definitions, 11.2.2 "Input Modes").

What that leaves open:

- Framing or parity? Without parity in the line settings it can only be framing, and an errored 00
  is a break, as all its bits were low. With parity the stream does not tell.
- Some adapters tell an error of a whole packet (FTDI, `ftdi_process_packet` in the Linux driver
  ftdi_sio; up to 62 characters): every character of it is marked, most of them were good.
- Some drivers never tell (older ch341, pseudo terminals): a stream without marks proves nothing
  there. Only a driver that is known to tell makes an unmarked character a good one; any other has
  to show a mark first.
- Windows has no such stream, and RFC 2217 only counts: there, marks are unknown.
"""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path

from busprobe.model.chunk import Mark
from busprobe.model.line import Parity

_ESCAPE, _ERROR = 0xFF, 0x00


class MarkSource(StrEnum):
    """How far a driver tells line errors of single characters."""

    BY_CHARACTER = "by-character"
    BY_PACKET = "by-packet"
    UNKNOWN = "unknown"


# Linux drivers, from memory of their sources and not tried on hardware: the serial core's insert a
# flag for each character, cp210x does in event mode (as long as INPCK is set), ftdi_sio copies one
# flag to a packet.
_BY_CHARACTER = frozenset({"cp210x", "serial8250", "uart-pl011", "port", "imx-uart", "of_serial"})
_BY_PACKET = frozenset({"ftdi_sio"})


def mark_source(driver: str) -> MarkSource:
    """What is known of a driver; its name as the system shows it, "" where it shows none."""
    if driver in _BY_CHARACTER:
        return MarkSource.BY_CHARACTER
    return MarkSource.BY_PACKET if driver in _BY_PACKET else MarkSource.UNKNOWN


def driver_of(device: str, sys_root: Path = Path("/sys")) -> str:
    """Name of the driver behind a port as Linux shows it, "" where nothing is shown."""
    name = Path(os.path.realpath(device)).name
    link = sys_root / "class" / "tty" / name / "device" / "driver"
    return Path(os.path.realpath(link)).name if link.exists() else ""


class MarkedStream:
    """Takes the marks out of the stream, which may be cut anywhere.

    Args:
        source: What is known of the driver.

    Attributes:
        proven: Whether an unmarked character is known to be a good one.
    """

    def __init__(self, source: MarkSource = MarkSource.UNKNOWN) -> None:
        self._source = source
        self._held = b""
        self.proven = source is not MarkSource.UNKNOWN

    def feed(self, raw: bytes, parity: Parity) -> tuple[bytes, tuple[Mark, ...] | None]:
        """Take what came next.

        Args:
            raw: Bytes as the system delivers them; an escape may end in the next call.
            parity: Of the line settings in force.

        Returns:
            The characters, and a mark for each, or None where it is unknown whether errors would
            have been marked.
        """
        raw = self._held + raw
        data, marks = bytearray(), list[Mark]()
        at, size = 0, len(raw)
        while at < size:
            lead = raw[at]
            if lead != _ESCAPE:
                data.append(lead)
                marks.append(Mark.GOOD)
                at += 1
                continue
            if at + 1 == size or (raw[at + 1] == _ERROR and at + 2 == size):
                break
            following = raw[at + 1]
            if following == _ERROR:
                data.append(raw[at + 2])
                marks.append(self._mark(raw[at + 2], parity))
                self.proven = True
                at += 3
                continue
            # A single FF comes only from a moment in which the marking was off.
            data.append(_ESCAPE)
            marks.append(Mark.GOOD)
            at += 2 if following == _ESCAPE else 1
        self._held = raw[at:]
        return bytes(data), tuple(marks) if self.proven else None

    def finish(self) -> bytes:
        """What is left of an escape that will not end any more, as it came."""
        held, self._held = self._held, b""
        return held

    def _mark(self, value: int, parity: Parity) -> Mark:
        if self._source is not MarkSource.BY_CHARACTER or parity is not Parity.NONE:
            return Mark.DAMAGED
        return Mark.FRAMING if value else Mark.BREAK


def switch_marking_on(file_descriptor: int) -> bool:
    """Let the system mark characters with errors; False where it cannot.

    Every setter of pyserial switches it off again.

    Args:
        file_descriptor: Of an open terminal.
    """
    try:
        import termios  # not on Windows
    except ImportError:
        return False
    try:
        attributes = termios.tcgetattr(file_descriptor)
        attributes[0] |= termios.INPCK | termios.PARMRK
        attributes[0] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
        termios.tcsetattr(file_descriptor, termios.TCSANOW, attributes)
        wanted = termios.INPCK | termios.PARMRK
        return bool(termios.tcgetattr(file_descriptor)[0] & wanted == wanted)
    except (OSError, termios.error):
        return False
