from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.link.advice import SystemFacts, advise, system_facts
from busprobe.link.ports import PortInfo

LINUX = SystemFacts("Linux")
GOOD = PortInfo(
    device="/dev/ttyUSB0",
    description="USB Dongle",
    usb_id="0ABC:0012",
    serial_number="F1",
    location="1-1.2",
    latency_timer_ms=1,
    permitted=True,
    group="dialout",
    busy=False,
)


def codes(facts: SystemFacts, *ports: PortInfo) -> list[str]:
    return [advice.code for advice in advise(facts, ports)]


def test_a_good_adapter_needs_no_advice() -> None:
    assert advise(LINUX, (GOOD,)) == ()


def test_unknown_facts_are_no_reason_for_advice() -> None:
    assert advise(LINUX, (PortInfo(device="/dev/ttyS0"),)) == ()


def test_who_may_not_use_a_port_is_told_the_command() -> None:
    (advice,) = advise(LINUX, (replace(GOOD, permitted=False),))
    assert (advice.code, advice.device, advice.blocks) == ("port-forbidden", "/dev/ttyUSB0", True)
    assert "group 'dialout'" in advice.cause
    assert "sudo usermod -aG dialout $USER" in advice.next_step


@pytest.mark.parametrize("group", ["", "root"])
def test_nobody_is_told_to_join_the_group_of_the_administrator(group: str) -> None:
    (advice,) = advise(LINUX, (replace(GOOD, permitted=False, group=group),))
    assert "usermod" not in advice.next_step


def test_a_busy_port_blocks_and_comes_first() -> None:
    late = replace(GOOD, latency_timer_ms=16)
    assert codes(LINUX, late, replace(GOOD, busy=True)) == ["port-busy", "latency-long"]


def test_a_long_latency_is_told_with_its_remedy() -> None:
    (advice,) = advise(LINUX, (replace(GOOD, latency_timer_ms=16),))
    assert "16 ms" in advice.cause
    assert "/sys/bus/usb-serial/devices/ttyUSB0/latency_timer" in advice.next_step
    assert codes(LINUX, replace(GOOD, latency_timer_ms=2)) == []


def test_windows_hides_the_latency() -> None:
    windows = SystemFacts("Windows")
    port = replace(GOOD, device="COM3", latency_timer_ms=None)
    assert codes(windows, port) == ["latency-unknown"]
    assert codes(windows, PortInfo(device="COM1")) == []


def test_macos_hides_the_latency_and_nobody_can_set_it() -> None:
    port = replace(GOOD, device="/dev/cu.usbserial-1", latency_timer_ms=None)
    (advice,) = advise(SystemFacts("Darwin"), (port,))
    assert advice.code == "latency-unknown"
    assert not advice.blocks
    assert "Device Manager" not in advice.next_step
    assert codes(SystemFacts("Darwin"), PortInfo(device="/dev/cu.debug")) == []


def usb_interface(
    sys_root: Path, name: str, *, kind: str, product: str, driver: bool = False
) -> None:
    devices = sys_root / "bus" / "usb" / "devices"
    interface, device = devices / name, devices / name.partition(":")[0]
    interface.mkdir(parents=True)
    device.mkdir(exist_ok=True)
    (interface / "bInterfaceClass").write_text(kind + "\n")
    (device / "idVendor").write_text("0abc\n")
    (device / "idProduct").write_text("0012\n")
    (device / "product").write_text(product + "\n")
    if driver:
        (interface / "driver").mkdir()


def test_an_adapter_that_no_driver_has_taken_is_told(tmp_path: Path) -> None:
    usb_interface(tmp_path, "1-1:1.0", kind="ff", product="Dongle \x1b[31m")
    usb_interface(tmp_path, "1-2:1.0", kind="ff", product="Taken", driver=True)
    usb_interface(tmp_path, "1-3:1.0", kind="03", product="Keyboard")
    facts = system_facts(tmp_path / "proc", tmp_path)
    assert facts.unclaimed == ("0ABC:0012 Dongle \\x1b[31m",)
    (advice,) = advise(replace(facts, system="Linux"), (GOOD,))
    assert advice.code == "driver-missing"
    assert "0ABC:0012" in advice.cause
    assert not advice.blocks


def test_programs_that_grab_or_probe_ports_are_named() -> None:
    assert codes(SystemFacts("Linux", frozenset({"brltty"})), GOOD) == ["braille-display-driver"]
    blocked = advise(SystemFacts("Linux", frozenset({"brltty"})), ())
    assert [(advice.code, advice.blocks) for advice in blocked] == [
        ("braille-display-driver", True),
        ("no-port", True),
    ]
    (prober,) = advise(SystemFacts("Linux", frozenset({"ModemManager"})), (GOOD,))
    assert prober.device == "/dev/ttyUSB0"
    # udev compares the identifiers as sysfs writes them: lower case.
    assert 'ATTRS{idVendor}=="0abc", ATTRS{idProduct}=="0012"' in prober.next_step
    assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in prober.next_step
    onboard = PortInfo(device="/dev/ttyS0")
    assert codes(SystemFacts("Linux", frozenset({"ModemManager"})), onboard) == []


def test_adapters_that_look_alike_are_told_apart_by_their_socket() -> None:
    one = replace(GOOD, serial_number="")
    other = replace(one, device="/dev/ttyUSB1", location="1-1.3")
    found = advise(LINUX, (one, other))
    assert [(advice.code, advice.device) for advice in found] == [
        ("adapters-alike", "/dev/ttyUSB0"),
        ("adapters-alike", "/dev/ttyUSB1"),
    ]
    assert "1-1.3" in found[1].next_step
    assert codes(LINUX, one) == []


@pytest.mark.parametrize(
    ("system", "words"),
    [("Linux", "dmesg"), ("Windows", "Device Manager"), ("Darwin", "/dev/cu."), ("Else", "Plug")],
)
def test_a_computer_without_ports_is_told_where_to_look(system: str, words: str) -> None:
    (advice,) = advise(SystemFacts(system), ())
    assert advice.blocks
    assert words in advice.next_step


def test_running_programs_are_seen(tmp_path: Path) -> None:
    for number, name in (("1", "systemd"), ("77", "ModemManager")):
        (tmp_path / number).mkdir()
        (tmp_path / number / "comm").write_text(name + "\n")
    (tmp_path / "self").mkdir()
    assert system_facts(tmp_path).programs == {"systemd", "ModemManager"}
    assert system_facts(tmp_path / "none").programs == frozenset()
    assert system_facts().system
