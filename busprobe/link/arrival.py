"""How late a byte from a serial port may be stamped.

A received chunk carries the instant at which its last byte was in our hands. On the wire that byte
had ended before, at most `arrival_ns` earlier. The parts:

- The adapter. A USB adapter hands bytes over when its buffer is full or its latency timer has run
  out: 1 to 255 ms, 16 ms unless somebody changed it (default of the most common chips; measured on
  Windows in jSerialComm pull request #369). The timer is read where the system shows it; for a USB
  adapter that shows none, the 16 ms are assumed. An on-board UART interrupts at the latest 4
  character times after the last byte (16550 receive FIFO time-out). A pseudo terminal holds nothing
  back.
- The system. The reader thread must be woken and get the interpreter. Measured on a loaded computer
  with two cores (tests/benchmarks/bench_link_stamps.py) with a busy user interface and a switch
  interval of 0.5 ms: median 0.1 ms, 95 % below 4 ms, at worst 16 ms. The allowance of 4 ms is what
  nearly all chunks keep; a system that is no real-time system has no true bound.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from busprobe.model.line import LineSettings

MS = 1_000_000
USB_LATENCY_NS = 16 * MS
SYSTEM_NS = 4 * MS
_FIFO_CHARACTERS = 4

_SYS = Path("/sys")


class PortHardware(StrEnum):
    """What stands behind a serial port, as far as timing is concerned."""

    USB = "usb"
    ONBOARD = "on-board"
    PSEUDO = "pseudo-terminal"


@dataclass(frozen=True, slots=True)
class ArrivalFacts:
    """What is known of the way from the wire to us.

    Attributes:
        hardware: What stands behind the port.
        latency_timer_ns: Latency timer of a USB adapter [ns], None where the system shows none.
    """

    hardware: PortHardware
    latency_timer_ns: int | None = None

    def arrival_ns(self, settings: LineSettings) -> int:
        """How late a byte may be stamped [ns]."""
        if self.hardware is PortHardware.PSEUDO:
            return SYSTEM_NS
        if self.hardware is PortHardware.ONBOARD:
            return SYSTEM_NS + settings.duration_ns(_FIFO_CHARACTERS)
        timer = self.latency_timer_ns
        return SYSTEM_NS + (USB_LATENCY_NS if timer is None else timer)


def latency_timer_ms(device: str, sys_root: Path = _SYS) -> int | None:
    """Latency timer of a USB serial adapter [ms], None where the system shows none.

    Args:
        device: Name of the port; links such as those in /dev/serial/by-id are followed.
        sys_root: Where the system shows its devices.
    """
    name = Path(os.path.realpath(device)).name
    node = sys_root / "bus" / "usb-serial" / "devices" / name / "latency_timer"
    try:
        value = int(node.read_text(encoding="ascii").strip())
    except (OSError, ValueError):
        return None
    return value if 0 <= value <= 255 else None


def arrival_facts(device: str, sys_root: Path = _SYS) -> ArrivalFacts:
    """Find out what stands behind a port, without opening it."""
    real = os.path.realpath(device)
    if real.startswith(("/dev/pts/", "/dev/ttyp")):
        return ArrivalFacts(PortHardware.PSEUDO)
    timer = latency_timer_ms(real, sys_root)
    if timer is not None:
        return ArrivalFacts(PortHardware.USB, timer * MS)
    hardware = PortHardware.USB if _is_usb(real, sys_root) else PortHardware.ONBOARD
    return ArrivalFacts(hardware)


def _is_usb(real: str, sys_root: Path) -> bool:
    parent = sys_root / "class" / "tty" / Path(real).name / "device"
    if parent.exists():
        return any(part.startswith("usb") for part in Path(os.path.realpath(parent)).parts)
    # Where the system does not tell, the later arrival is the safer assumption.
    return not real.startswith("/dev/ttyS")
