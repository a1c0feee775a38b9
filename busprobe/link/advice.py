"""What on this computer stands in the way of a good link, and what to do about it.

Facts are gathered without opening a port; judging them is a pure function.

Sources: brltty before 6.5 claims common USB serial chips as Braille displays (its maintainer in
arduino-ide #1788). Interface class FF is "vendor specific" (USB class codes of the USB Implementers
Forum). That ModemManager probes new serial ports with bytes of its own, the names of the udev
variables, where Windows keeps the latency timer, that macOS shows none, and where each system tells
of a missing driver: common practice, no source.
"""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from busprobe.link.ports import PortInfo
from busprobe.model.device_text import visible

_PROC = Path("/proc")
_SYS = Path("/sys")
_VENDOR_SPECIFIC = "ff"
# Above this, gaps inside a frame cannot be seen at 9600 Bd (t1.5 is 1.6 ms) and every answer looks
# later than it is.
_SHORT_LATENCY_MS = 2
_RULE_FILE = "/etc/udev/rules.d/60-busprobe.rules"


@dataclass(frozen=True, slots=True)
class SystemFacts:
    """What matters of the system.

    Attributes:
        system: "Linux", "Windows" or "Darwin".
        programs: Names of running programs; empty where the system does not show them.
        unclaimed: USB devices of a vendor's own kind (as serial adapters are) that no driver has
            taken, as "VID:PID name"; safe to show. Empty where the system does not show them.
    """

    system: str
    programs: frozenset[str] = frozenset()
    unclaimed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know or to do.

    Attributes:
        code: Stable kebab-case name.
        device: Port it concerns, or None for the whole computer.
        blocks: Whether the port cannot be used before it is done.
        cause: One sentence that says what is the matter.
        next_step: One sentence that says what to do.
    """

    code: str
    device: str | None
    blocks: bool
    cause: str
    next_step: str


def system_facts(proc_root: Path = _PROC, sys_root: Path = _SYS) -> SystemFacts:
    """Look at this computer."""
    names: set[str] = set()
    for node in proc_root.glob("[0-9]*/comm"):
        try:
            names.add(node.read_text(encoding="utf-8", errors="replace").strip())
        except OSError:
            continue  # the program has ended meanwhile
    return SystemFacts(platform.system(), frozenset(names), _unclaimed(sys_root))


def _unclaimed(sys_root: Path) -> tuple[str, ...]:
    """USB devices of vendor-specific class without driver, as Linux shows them under /sys."""
    found: dict[str, None] = {}
    devices = sys_root / "bus" / "usb" / "devices"
    for interface in sorted(devices.glob("*:*")):
        if _line(interface / "bInterfaceClass").lower() != _VENDOR_SPECIFIC:
            continue
        if (interface / "driver").exists():
            continue
        device = devices / interface.name.partition(":")[0]
        usb_id = f"{_line(device / 'idVendor')}:{_line(device / 'idProduct')}".upper()
        found[f"{usb_id} {_line(device / 'product')}".strip()] = None
    return tuple(found)


def _line(path: Path) -> str:
    """The one line of a file under /sys, safe to show; "" where it cannot be read."""
    try:
        return visible(path.read_text(encoding="utf-8", errors="replace").strip())
    except OSError:
        return ""


def _of_programs(facts: SystemFacts, ports: Sequence[PortInfo]) -> list[Advice]:
    found = []
    if "brltty" in facts.programs:
        found.append(
            Advice(
                "braille-display-driver",
                None,
                not ports,
                "The Braille display driver brltty is running; before version 6.5 it takes common "
                "USB serial adapters away as soon as they are plugged in.",
                "Unless you use a Braille display, remove it: 'sudo apt remove brltty'; then plug "
                "the adapter in again.",
            )
        )
    if "ModemManager" in facts.programs:
        for port in ports:
            if not port.usb_id:
                continue
            vendor, _, product = port.usb_id.lower().partition(":")
            found.append(
                Advice(
                    "modem-prober",
                    port.device,
                    False,
                    f"ModemManager is running: when {port.device} is plugged in it may send bytes "
                    "of its own onto the bus to look for a modem.",
                    f'Write ATTRS{{idVendor}}=="{vendor}", ATTRS{{idProduct}}=="{product}", '
                    f'ENV{{ID_MM_DEVICE_IGNORE}}="1", TAG+="uaccess" into {_RULE_FILE}, then '
                    "plug the adapter in again.",
                )
            )
    return found


def _of_drivers(facts: SystemFacts) -> list[Advice]:
    return [
        Advice(
            "driver-missing",
            None,
            False,
            f"No driver has taken the USB device {name}; a serial adapter without its driver looks "
            "like this.",
            "If it is the adapter: 'sudo apt install linux-modules-extra-$(uname -r)', or the "
            "package with further drivers of your system, then plug it in again.",
        )
        for name in facts.unclaimed
    ]


def _of_port(facts: SystemFacts, port: PortInfo) -> list[Advice]:
    found = []
    if port.permitted is False:
        group = port.group
        step = (
            f"Run 'sudo usermod -aG {group} $USER', then log out and in again."
            if group and group != "root"
            else "Ask whoever looks after this computer for access to its serial ports."
        )
        cause = f"You are not permitted to use {port.device}"
        cause += f": it belongs to the group '{group}'." if group else "."
        found.append(Advice("port-forbidden", port.device, True, cause, step))
    if port.busy:
        found.append(
            Advice(
                "port-busy",
                port.device,
                True,
                f"Another program has {port.device} open.",
                "Close that program; two readers steal bytes from each other.",
            )
        )
    hidden = {
        "Windows": "If the Device Manager offers a latency timer under Port Settings, Advanced, "
        "set it to 1 ms.",
        "Darwin": "The system's own drivers let nobody set it; 16 ms are reckoned with. Where "
        "exact timings matter use an adapter whose maker's driver has a setting for it.",
    }
    if facts.system in hidden and port.usb_id:
        found.append(
            Advice(
                "latency-unknown",
                port.device,
                False,
                f"How long {port.device} holds received bytes back is not shown; 16 ms is usual.",
                hidden[facts.system],
            )
        )
    elif port.latency_timer_ms is not None and port.latency_timer_ms > _SHORT_LATENCY_MS:
        found.append(
            Advice(
                "latency-long",
                port.device,
                False,
                f"{port.device} may hold received bytes back for {port.latency_timer_ms} ms, so "
                "answers look later than they are.",
                "Low latency is asked for when the port is opened; if the timings still say 16 "
                f"ms, run 'echo 1 | sudo tee /sys/bus/usb-serial/devices/"
                f"{Path(port.device).name}/latency_timer'.",
            )
        )
    return found


def _of_twins(ports: Sequence[PortInfo]) -> list[Advice]:
    by_kind: dict[str, list[PortInfo]] = {}
    for port in ports:
        if port.usb_id and not port.serial_number:
            by_kind.setdefault(port.usb_id, []).append(port)
    return [
        Advice(
            "adapters-alike",
            port.device,
            False,
            f"{port.device} has no serial number and looks like {len(twins) - 1} other adapter"
            f"{'s' if len(twins) > 2 else ''}.",
            f"Go by the USB socket it is plugged into ({port.location or 'not shown'}): the names "
            "can change places after unplugging.",
        )
        for twins in by_kind.values()
        if len(twins) > 1
        for port in twins
    ]


def advise(facts: SystemFacts, ports: Sequence[PortInfo]) -> tuple[Advice, ...]:
    """Judge what is known of the system and its ports; what blocks a port comes first."""
    found = [*_of_programs(facts, ports), *_of_drivers(facts)]
    if not ports:
        look = {
            "Linux": "Plug the adapter in; 'sudo dmesg | tail' tells whether the system saw it.",
            "Windows": "Plug the adapter in; the Device Manager shows it under Ports, or with a "
            "warning sign where its driver is missing: then 'Update driver', or the driver from "
            "the maker of the adapter.",
            "Darwin": "Plug the adapter in; it appears as /dev/cu.usbserial-... If it does not, "
            "System Information, USB, tells whether the system saw it: then install its maker's "
            "driver and allow it under System Settings, Privacy & Security.",
        }
        found.append(
            Advice(
                "no-port",
                None,
                True,
                "This computer has no serial port.",
                look.get(facts.system, "Plug the adapter in."),
            )
        )
    for port in ports:
        found += _of_port(facts, port)
    found += _of_twins(ports)
    return tuple(sorted(found, key=lambda advice: not advice.blocks))
