"""Frames in words; the examples are those of the specification."""

from __future__ import annotations

import pytest
from fake_session import frame

from busprobe.tui import frame_words


# MODBUS Application Protocol Specification V1.1b3: the examples of sections 6.1, 6.3, 6.4, 6.6 and
# 6.12; addresses there are 1-based names of registers, on the wire 0-based.
@pytest.mark.parametrize(
    ("pdu", "expected"),
    [
        ("01 0013 0013", "read coils 19..37"),
        ("03 006B 0003", "read holding registers 107..109"),
        ("04 0008 0001", "read input registers 8"),
        ("06 0001 0003", "write single register 1 = 3"),
        ("10 0001 0002 04 000A 0102", "write multiple registers 1..2"),
        ("2B 0E 01 00", "read device identification"),
        ("41", "function 65"),
    ],
)
def test_requests(pdu: str, expected: str) -> None:
    assert frame_words.request_words(frame(1, bytes.fromhex(pdu), 0)) == expected


@pytest.mark.parametrize(
    ("pdu", "expected"),
    [
        ("03 06 022B 0000 0064", "3 registers: 555 0 100"),
        ("04 02 000A", "1 register: 10"),
        ("03 04 53756E53", '2 registers, text "SunS"'),
        ("81 02", "exception 2: illegal data address"),
        ("83 63", "exception 99: unknown exception"),
    ],
)
def test_answers(pdu: str, expected: str) -> None:
    assert frame_words.answer_words(frame(1, bytes.fromhex(pdu), 0)) == expected


@pytest.mark.parametrize("pdu", ["03", "03 04 00", "83", "2B 0E", "11"])
def test_broken_frames_are_described_too(pdu: str) -> None:
    broken = frame(1, bytes.fromhex(pdu), 0)
    assert frame_words.answer_words(broken)
    assert frame_words.request_words(broken)


def test_long_bytes_are_cut_visibly() -> None:
    assert frame_words.hex_words(bytes(5)) == "00 00 00 00 00"
    assert frame_words.hex_words(bytes(5), 2) == "00 00 ..."
