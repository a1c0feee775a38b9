"""Somebody else's requests, heard between our own."""

from __future__ import annotations

from busprobe.diagnosis.listening.foreign import ForeignRequests
from busprobe.model.exchange import Exchange
from busprobe.wire import pdu, rtu
from tests.diagnosis.line_health.test_line_signs import heard

OURS = rtu.encode(1, pdu.read_registers(3, 0, 1))
THEIRS = rtu.encode(7, pdu.read_registers(4, 30, 2))
ANSWER = rtu.encode(1, bytes.fromhex("0302ABCD"))


def exchange(received: bytes, request: bytes = OURS) -> Exchange:
    return heard(request.hex(), received.hex())


def test_the_second_foreign_request_tells_of_a_master_once() -> None:
    requests = ForeignRequests()
    assert requests.take(exchange(ANSWER)) is None
    assert requests.take(exchange(THEIRS + ANSWER)) is None
    told = requests.take(exchange(ANSWER + THEIRS))
    assert told is not None
    assert (told.code, told.address) == ("foreign-master", None)
    assert "about address 7" in told.cause
    assert requests.take(exchange(THEIRS)) is None


def test_answers_and_our_own_requests_coming_back_late_are_no_master() -> None:
    requests = ForeignRequests()
    other = rtu.encode(7, bytes.fromhex("0302ABCD"))
    written = rtu.encode(7, bytes.fromhex("060000ABCD"))
    too_much = rtu.encode(7, pdu.read_registers(3, 0, 1)[:3] + b"\xe8\xe2")
    mine = rtu.encode(2, pdu.read_registers(3, 0, 1))
    requests.take(exchange(b"", mine))
    for received in (other, written, too_much, mine, OURS, mine + ANSWER):
        assert requests.take(exchange(received)) is None
