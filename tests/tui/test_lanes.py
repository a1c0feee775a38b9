"""Who spoke when, as far as the evidence tells."""

from __future__ import annotations

from fake_session import CHARACTER_NS, FakeSession

from busprobe.model.exchange import Exchange, Outcome
from busprobe.tui.lanes import UNKNOWN, Lane, Speaker, lanes

PDU = b"\x03\0\0\0\x01"
ANSWER = b"\x03\x02\0\x07"
SERIALS = ("30417788", "30417790")


def named(made: Exchange, **known: object) -> dict[str, Lane]:
    found = lanes(made, CHARACTER_NS, **known)  # type: ignore[arg-type]
    assert found[0].speaker is Speaker.LAPTOP
    return {lane.name: lane for lane in found}


def with_serial(serial: str) -> bytes:
    return bytes((3, len(serial))) + serial.encode()


def test_one_device_has_a_lane_of_its_own() -> None:
    made = FakeSession().exchange(7, PDU, (ANSWER,))
    found = named(made)
    assert list(found) == ["PC", "address 7"]
    assert made.answer is not None
    span = found["address 7"].spans[0]
    assert (span.start_ns, span.end_ns) == (made.answer.t_start_ns, made.answer.t_end_ns)


def test_silence_is_drawn_as_an_empty_lane() -> None:
    found = named(FakeSession().exchange(7, PDU))
    assert found["address 7"].spans == []


def test_nobody_answers_twice() -> None:
    found = named(FakeSession().exchange(1, PDU, (ANSWER, ANSWER)))
    assert list(found) == ["PC", "one device", "another device"]
    assert found["one device"].spans[0].end_ns < found["another device"].spans[0].start_ns


def test_a_serial_number_tells_the_speaker_and_the_silence_of_the_other() -> None:
    made = FakeSession().exchange(1, PDU, (with_serial(SERIALS[1]),))
    found = named(made, shared=True, serials=SERIALS)
    assert list(found) == ["PC", *SERIALS]
    assert found[SERIALS[0]].spans == []
    assert len(found[SERIALS[1]].spans) == 1


def test_an_answer_that_either_of_two_could_have_given_is_given_to_neither() -> None:
    found = named(FakeSession().exchange(1, PDU, (ANSWER,)), shared=True, serials=SERIALS)
    assert list(found) == ["PC", UNKNOWN]


def test_bytes_without_frame_are_nobodys_and_begin_as_many_characters_earlier() -> None:
    made = FakeSession().exchange(1, PDU, (with_serial(SERIALS[0]),), stray=b"\x01\x03\x98")
    found = named(made, shared=True, serials=SERIALS)
    assert list(found) == ["PC", *SERIALS, UNKNOWN]
    span = found[UNKNOWN].spans[0]
    assert span.end_ns - span.start_ns == 3 * CHARACTER_NS
    assert found[UNKNOWN].speaker is Speaker.UNKNOWN


def test_a_frame_of_somebody_else_stands_under_his_address() -> None:
    session = FakeSession()
    stranger = session.exchange(9, PDU, (ANSWER,))
    asked = session.exchange(1, PDU)
    made = Exchange(
        asked.number, asked.request, Outcome.MISADDRESSED, None, stranger.pieces, False, 1, 0,
        asked.listened_ns, asked.chunks,
    )  # fmt: skip
    assert named(made)["address 9"].speaker is Speaker.STRANGER
