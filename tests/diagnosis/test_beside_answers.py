"""A second voice behind whole answers is heard before anything is written."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.bus.assemble import ByteTimes, classify, pieces_of
from busprobe.diagnosis.beside_answers import another_voice, sticks_out
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Frame
from busprobe.model.line import LineSettings
from busprobe.wire import pdu, rtu

LINE = LineSettings()
REQUEST = pdu.read_registers(3, 40052, 2)
ANSWER = rtu.encode(1, bytes((3, 4)) + b"TF30")


def exchange(data: bytes, address: int = 1) -> Exchange:
    adu = rtu.encode(address, REQUEST)
    end = LINE.duration_ns(len(adu))
    heard = Chunk(Direction.RECEIVED, end + 25_000_000 + LINE.duration_ns(len(data)), data)
    request = Frame(address, REQUEST, 0, end, adu)
    pieces = pieces_of(ByteTimes.of([heard], LINE), (address, REQUEST))
    outcome, answer = classify(request, pieces, ())
    return Exchange(
        1, request, outcome, answer, pieces, False, 25_000_000, 0, 200_000_000, (heard,)
    )


@pytest.mark.parametrize("beside", ["C2 FE", "38", "A7 FF"])
def test_ends_of_another_answer_stick_out(beside: str) -> None:
    """What a simulated pair 60 m apart left behind its answers, served in real time."""
    assert sticks_out(exchange(ANSWER + bytes.fromhex(beside)))
    heard = [exchange(ANSWER)] * 9 + [exchange(ANSWER + bytes.fromhex(beside))] * 3
    assert another_voice(heard, 1)
    assert not another_voice(heard, 2)


@pytest.mark.parametrize("beside", ["", "FF", "00", "FE FF"])
def test_low_pulses_are_no_voice(beside: str) -> None:
    assert not another_voice([exchange(ANSWER + bytes.fromhex(beside))] * 30, 1)


def test_a_stray_now_and_then_is_no_voice() -> None:
    odd = exchange(ANSWER + b"\x42")
    assert not another_voice([exchange(ANSWER)] * 28 + [odd] * 2, 1)
    assert not another_voice([exchange(ANSWER)] * 30 + [odd] * 4, 1)
    off = replace(odd, sent_at=LineSettings(9888))
    assert not another_voice([exchange(ANSWER)] * 8 + [off] * 8, 1)
