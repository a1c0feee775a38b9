"""The serial ports of this computer and everything known about them without opening one.

Opening a port toggles its control lines, which can reset a device or make an adapter emit junk on
the bus; so whether a port is busy is told only where the system shows it: on Linux through the
table of open files.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busprobe.link.arrival import latency_timer_ms
from busprobe.link.character_marks import MarkSource, driver_of, mark_source
from busprobe.model.device_text import visible

_BY_ID = Path("/dev/serial/by-id")
_SYS = Path("/sys")
_PROC = Path("/proc")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One serial port; texts come from the adapter and are already safe to show.

    Attributes:
        device: Name to open it by.
        description: What the adapter calls itself, or "".
        usb_id: "VID:PID" in hexadecimal, or "" where it is no USB adapter.
        serial_number: Serial number of the adapter; many cheap ones have none ("").
        location: USB socket it is plugged into, or "": tells adapters without serial number apart.
        by_id: Stable name that survives replugging, or "".
        driver: Name of the kernel driver, or "".
        latency_timer_ms: How long the adapter may hold received bytes back [ms], None if unknown.
        permitted: Whether this user may open it, None if unknown.
        group: Group that the device node belongs to, or "".
        busy: Whether a program has it open, None if unknown.
    """

    device: str
    description: str = ""
    usb_id: str = ""
    serial_number: str = ""
    location: str = ""
    by_id: str = ""
    driver: str = ""
    latency_timer_ms: int | None = None
    permitted: bool | None = None
    group: str = ""
    busy: bool | None = None

    @property
    def character_marks(self) -> MarkSource:
        """How far the adapter's driver tells line errors of single characters."""
        return mark_source(self.driver)


def _natural(device: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts ttyUSB2 before ttyUSB10."""
    parts = re.findall(r"\d+|\D+", device)
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts)


def _text(value: object) -> str:
    """Text of pyserial, where None and "n/a" mean that there is none."""
    text = visible(str(value)).strip() if value is not None else ""
    return "" if text == "n/a" else text


def _stable_names(by_id: Path) -> dict[str, str]:
    try:
        links = sorted(by_id.iterdir())
    except OSError:
        return {}
    return {os.path.realpath(link): str(link) for link in links}


def _group(device: str) -> str:
    try:
        import grp  # not on Windows

        return grp.getgrgid(Path(device).stat().st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return ""


def _permitted(device: str) -> bool | None:
    if os.name != "posix" or not Path(device).exists():
        return None
    return os.access(device, os.R_OK | os.W_OK)


def open_files(proc_root: Path = _PROC) -> tuple[frozenset[str], bool]:
    """Files that programs have open.

    Returns:
        The paths, and whether every program could be looked at: only then does absence prove that
        a file is not open.
    """
    found: set[str] = set()
    complete = proc_root.is_dir()
    for folder in proc_root.glob("[0-9]*/fd"):
        try:
            for descriptor in folder.iterdir():
                try:
                    found.add(str(descriptor.readlink()))
                except FileNotFoundError:
                    continue
        except PermissionError:
            complete = False
        except OSError:
            continue  # the program has ended meanwhile
    return frozenset(found), complete


def describe_port(
    raw: Any,
    *,
    stable: dict[str, str],
    opened: frozenset[str],
    all_seen: bool,
    sys_root: Path = _SYS,
) -> PortInfo:
    """Put together what pyserial and the system know of one port.

    Args:
        raw: A `ListPortInfo` of pyserial.
        stable: Stable name by real device path.
        opened: Files that programs have open.
        all_seen: Whether `opened` is complete.
        sys_root: Where the system shows its devices.
    """
    device = str(raw.device)
    real = os.path.realpath(device)
    busy = True if real in opened else (False if all_seen else None)
    usb_id = f"{raw.vid:04X}:{raw.pid:04X}" if raw.vid is not None and raw.pid is not None else ""
    return PortInfo(
        device=device,
        description=_text(raw.description),
        usb_id=usb_id,
        serial_number=_text(raw.serial_number),
        location=_text(raw.location),
        by_id=stable.get(real, ""),
        driver=driver_of(real, sys_root),
        latency_timer_ms=latency_timer_ms(real, sys_root),
        permitted=_permitted(device),
        group=_group(device),
        busy=busy,
    )


def list_ports() -> tuple[PortInfo, ...]:
    """All serial ports, sorted by name the way people count; empty without hardware."""
    from serial.tools.list_ports import comports

    opened, all_seen = open_files()
    stable = _stable_names(_BY_ID)
    found = [
        describe_port(raw, stable=stable, opened=opened, all_seen=all_seen) for raw in comports()
    ]
    return tuple(sorted(found, key=lambda port: _natural(port.device)))
