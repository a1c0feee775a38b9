"""The LINK argument, line settings, and ranges of hosts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.errors import InputError
from busprobe.model.hosts import parse_links
from busprobe.model.line import Endpoint, LineSettings, LinkKind, Parity, parse_link, told_together


@pytest.mark.parametrize(
    ("argument", "kind", "target", "port"),
    [
        ("/dev/ttyUSB0", LinkKind.SERIAL, "/dev/ttyUSB0", 0),
        ("COM3", LinkKind.SERIAL, "COM3", 0),
        ("tcp://meter.example", LinkKind.TCP, "meter.example", 502),
        ("tcp://192.0.2.7:1502", LinkKind.TCP, "192.0.2.7", 1502),
        ("tcp://[2001:db8::1]:502", LinkKind.TCP, "2001:db8::1", 502),
        ("rtu+tcp://192.0.2.7:4001", LinkKind.RTU_OVER_TCP, "192.0.2.7", 4001),
        ("rfc2217://192.0.2.7:2217", LinkKind.RFC2217, "192.0.2.7", 2217),
        ("sim:healthy", LinkKind.SIMULATED, "healthy", 0),
        ("sim:./my.yaml", LinkKind.SIMULATED, "./my.yaml", 0),
        ("replay:visit.busprobe", LinkKind.REPLAY, "visit.busprobe", 0),
    ],
)
def test_every_kind_of_link(argument: str, kind: LinkKind, target: str, port: int) -> None:
    assert parse_link(argument) == Endpoint(argument, kind, target, port)


@pytest.mark.parametrize(
    "argument",
    ["", "  ", "sim:", "http://host", "rtu+tcp://host", "tcp://", "tcp://a b", "tcp://h:0",
     "tcp://h:70000", "rfc2217://h", "tcp://h:12x"],
)  # fmt: skip
def test_what_is_no_link_is_told_with_a_next_step(argument: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_link(argument)
    assert caught.value.next_step


@given(st.text(max_size=40))
def test_any_text_is_a_link_or_a_clear_error(text: str) -> None:
    try:
        told = parse_link(text).target
    except InputError as error:
        told = error.next_step
    assert told


@pytest.mark.parametrize(
    ("settings", "bits", "text"),
    [
        # Modbus over Serial Line V1.02, section 2.5.1: 11 bits with parity or a second stop bit.
        (LineSettings(19200, Parity.EVEN, 1), 11, "19200 8E1"),
        (LineSettings(9600, Parity.NONE, 2), 11, "9600 8N2"),
        (LineSettings(9600, Parity.NONE, 1), 10, "9600 8N1"),
    ],
)
def test_character_lengths(settings: LineSettings, bits: int, text: str) -> None:
    assert settings.bits_per_character == bits
    assert settings.character_ns == pytest.approx(bits * 1e9 / settings.baud, abs=1)
    assert str(settings) == text


@pytest.mark.parametrize(("baud", "stop"), [(0, 1), (49, 1), (5_000_000, 1), (9600, 3)])
def test_impossible_settings_are_refused(baud: int, stop: int) -> None:
    with pytest.raises(InputError):
        LineSettings(baud, Parity.NONE, stop)


def test_a_network_of_hosts() -> None:
    found = parse_links("tcp://192.0.2.0/29:1502")
    assert [e.target for e in found] == [f"192.0.2.{n}" for n in range(1, 7)]
    assert {e.tcp_port for e in found} == {1502}


def test_a_range_of_hosts() -> None:
    assert [e.argument for e in parse_links("tcp://192.0.2.9-11")] == [
        "tcp://192.0.2.9:502",
        "tcp://192.0.2.10:502",
        "tcp://192.0.2.11:502",
    ]


def test_one_link_stays_one() -> None:
    assert parse_links("sim:demo") == (parse_link("sim:demo"),)


@pytest.mark.parametrize(
    "argument",
    ["tcp://192.0.2.0/8", "tcp://192.0.2.20-10", "tcp://192.0.2.1-300", "tcp://300.0.2.0/24",
     "tcp://192.0.2.0/29:0"],
)  # fmt: skip
def test_ranges_that_make_no_sense_are_refused(argument: str) -> None:
    with pytest.raises(InputError):
        parse_links(argument)


def test_many_settings_are_told_by_the_rates_their_formats_share() -> None:
    rates = (9600, 19200, 115200)
    offered = [str(LineSettings(b, Parity(p))) for p in "NE" for b in rates][1:]
    assert told_together(offered) == ("19200, 115200 Bd at 8N1; 9600, 19200, 115200 Bd at 8E1")
    assert told_together(["9600 8N1"]) == "9600 Bd at 8N1"
    assert told_together([]) == ""
