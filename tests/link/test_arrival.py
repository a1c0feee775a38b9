from pathlib import Path

import pytest

from busprobe.link.arrival import (
    MS,
    SYSTEM_NS,
    ArrivalFacts,
    PortHardware,
    arrival_facts,
    latency_timer_ms,
)
from busprobe.model.line import LineSettings


def timer_of(sys_root: Path, text: str, name: str = "ttyUSB7") -> None:
    folder = sys_root / "bus/usb-serial/devices" / name
    folder.mkdir(parents=True)
    (folder / "latency_timer").write_text(text)


def test_the_latency_timer_is_read_where_the_system_shows_it(tmp_path: Path) -> None:
    timer_of(tmp_path, "1\n")
    assert latency_timer_ms("/dev/ttyUSB7", tmp_path) == 1
    assert latency_timer_ms("/dev/ttyUSB8", tmp_path) is None
    facts = arrival_facts("/dev/ttyUSB7", tmp_path)
    assert facts == ArrivalFacts(PortHardware.USB, 1 * MS)
    assert facts.arrival_ns(LineSettings()) == SYSTEM_NS + 1 * MS


@pytest.mark.parametrize("text", ["", "soon", "-1", "256"])
def test_a_timer_that_makes_no_sense_is_unknown(tmp_path: Path, text: str) -> None:
    timer_of(tmp_path, text)
    assert latency_timer_ms("/dev/ttyUSB7", tmp_path) is None


def test_a_link_to_the_port_is_followed(tmp_path: Path) -> None:
    timer_of(tmp_path, "16")
    (tmp_path / "ttyUSB7").touch()
    stable = tmp_path / "usb-Trollfen_Dongle-if00"
    stable.symlink_to(tmp_path / "ttyUSB7")
    assert latency_timer_ms(str(stable), tmp_path) == 16


def test_a_usb_adapter_without_a_timer_is_taken_for_slow(tmp_path: Path) -> None:
    interface = tmp_path / "devices/pci0/usb1/1-1/1-1:1.0"
    interface.mkdir(parents=True)
    tty = tmp_path / "class/tty/ttyACM0"
    tty.mkdir(parents=True)
    (tty / "device").symlink_to(interface)
    facts = arrival_facts("/dev/ttyACM0", tmp_path)
    assert facts == ArrivalFacts(PortHardware.USB)
    # 16 ms: the default latency timer of the most common USB serial chips.
    assert facts.arrival_ns(LineSettings()) == SYSTEM_NS + 16 * MS


def test_an_unknown_system_is_taken_for_slow(tmp_path: Path) -> None:
    assert arrival_facts("COM3", tmp_path).hardware is PortHardware.USB
    assert arrival_facts("/dev/cu.usbserial-1", tmp_path).hardware is PortHardware.USB


def test_an_onboard_port_waits_four_characters(tmp_path: Path) -> None:
    uart = tmp_path / "devices/pnp0/00:05"
    uart.mkdir(parents=True)
    tty = tmp_path / "class/tty/ttyS0"
    tty.mkdir(parents=True)
    (tty / "device").symlink_to(uart)
    facts = arrival_facts("/dev/ttyS0", tmp_path)
    assert facts.hardware is PortHardware.ONBOARD
    # 16550 receive FIFO time-out: 4 character times; at 9600 8N1 4 x 10 bits / 9600 Bd.
    assert facts.arrival_ns(LineSettings(9600)) == SYSTEM_NS + 4_166_667


def test_a_pseudo_terminal_holds_nothing_back() -> None:
    facts = arrival_facts("/dev/pts/3")
    assert facts.hardware is PortHardware.PSEUDO
    assert facts.arrival_ns(LineSettings(300)) == SYSTEM_NS
