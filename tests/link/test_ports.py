import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from busprobe.link import ports
from busprobe.link.ports import PortInfo, describe_port, list_ports, open_files


def raw(device: str, **known: Any) -> SimpleNamespace:
    """The fields of pyserial's `ListPortInfo` that matter; nothing known unless given."""
    nothing = {
        "description": "n/a",
        "vid": None,
        "pid": None,
        "serial_number": None,
        "location": None,
    }
    return SimpleNamespace(device=device, **{**nothing, **known})


def test_everything_known_of_a_usb_adapter_is_told(tmp_path: Path) -> None:
    driver = tmp_path / "drivers/ftdi_sio"
    driver.mkdir(parents=True)
    device = tmp_path / "class/tty/ttyUSB990/device"
    device.mkdir(parents=True)
    (device / "driver").symlink_to(driver)
    timer = tmp_path / "bus/usb-serial/devices/ttyUSB990"
    timer.mkdir(parents=True)
    (timer / "latency_timer").write_text("16\n")
    info = describe_port(
        raw(
            "/dev/ttyUSB990",
            description="USB\x1bDongle",
            vid=0x0ABC,
            pid=0x12,
            serial_number="F1",
            location="1-1.2",
        ),
        stable={"/dev/ttyUSB990": "/dev/serial/by-id/usb-F1"},
        opened=frozenset({"/dev/ttyUSB990"}),
        all_seen=True,
        sys_root=tmp_path,
    )
    assert info == PortInfo(
        device="/dev/ttyUSB990",
        description="USB\\x1bDongle",
        usb_id="0ABC:0012",
        serial_number="F1",
        location="1-1.2",
        by_id="/dev/serial/by-id/usb-F1",
        driver="ftdi_sio",
        latency_timer_ms=16,
        permitted=None,
        group="",
        busy=True,
    )


def test_a_port_nobody_has_open_is_free_only_if_everybody_was_seen() -> None:
    def busy(*, opened: set[str], all_seen: bool) -> bool | None:
        return describe_port(
            raw("/dev/ttyS9"), stable={}, opened=frozenset(opened), all_seen=all_seen
        ).busy

    assert busy(opened=set(), all_seen=True) is False
    assert busy(opened=set(), all_seen=False) is None
    assert busy(opened={"/dev/ttyS9"}, all_seen=False) is True


def test_nothing_known_is_empty_not_made_up() -> None:
    info = describe_port(raw("COM3"), stable={}, opened=frozenset(), all_seen=False)
    assert info == PortInfo(device="COM3")


def test_open_files_are_found_without_opening_anything(tmp_path: Path) -> None:
    held = tmp_path / "held"
    with held.open("w"):
        found, _ = open_files()
        assert str(held) in found
    assert str(held) not in open_files()[0]
    assert open_files(tmp_path / "no-such-folder") == (frozenset(), False)


def test_ports_are_sorted_as_people_count(monkeypatch: Any) -> None:
    names = ["/dev/ttyUSB10", "/dev/ttyUSB2", "/dev/ttyACM0", "COM12", "COM3"]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [raw(name) for name in names])
    assert [port.device for port in list_ports()] == [
        "/dev/ttyACM0",
        "/dev/ttyUSB2",
        "/dev/ttyUSB10",
        "COM3",
        "COM12",
    ]


def test_no_hardware_is_an_empty_list(monkeypatch: Any) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    assert list_ports() == ()


def test_this_computer_can_be_listed_twice_with_the_same_result() -> None:
    first = [port.device for port in list_ports()]
    assert first == [port.device for port in list_ports()]


def test_permission_is_that_of_this_user(tmp_path: Path, monkeypatch: Any) -> None:
    node = tmp_path / "ttyUSB990"
    node.touch()
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    info = describe_port(raw(str(node)), stable={}, opened=frozenset(), all_seen=True)
    assert info.permitted is False
    assert info.group


def test_stable_names_are_found_by_the_real_port(tmp_path: Path) -> None:
    port = tmp_path / "ttyUSB990"
    port.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-Nixenfurt_Dongle-if00-port0").symlink_to(port)
    names = ports._stable_names(by_id)
    assert names == {str(port): str(by_id / "usb-Nixenfurt_Dongle-if00-port0")}
    assert ports._stable_names(tmp_path / "none") == {}
