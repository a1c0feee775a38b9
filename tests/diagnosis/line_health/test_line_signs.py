"""Damaged answers are recognised for what they are."""

from __future__ import annotations

import pytest

from busprobe.bus.assemble import ByteTimes, classify, pieces_of
from busprobe.diagnosis.line_health import Condition, Sign, sample
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Frame
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import rtu

SHORT = Condition(1, 0, False)
PLAIN = LineSettings()


def heard(request: str, data: str, settings: LineSettings = PLAIN) -> Exchange:
    """An exchange in which this was heard 20 ms after the request."""
    adu = bytes.fromhex(request)
    received = bytes.fromhex(data)
    end = settings.duration_ns(len(adu))
    frame = Frame(adu[0], adu[1:-2], 0, end, adu)
    chunks = [Chunk(Direction.SENT, 0, adu)]
    pieces: tuple = ()
    first = None
    if received:
        at = end + 20_000_000 + settings.duration_ns(len(received))
        chunks.append(Chunk(Direction.RECEIVED, at, received))
        times = ByteTimes.of(chunks[1:], settings)
        pieces = pieces_of(times, (frame.address, frame.pdu))
        first = times.start_ns(0) - end
    outcome, answer = classify(frame, pieces, ())
    return Exchange(1, frame, outcome, answer, pieces, False, first, 0, 300_000_000, tuple(chunks))


READ_15 = rtu.encode(0x15, bytes.fromhex("0400000001")).hex()


@pytest.mark.parametrize(
    ("data", "sign"),
    [
        ("15 04 02 00 01 48 F3", Sign.CLEAN),
        # Field capture, esphome_modbus_bridge #23, and what other overlaps of the other driver
        # leave, computed with an independent UART model (9600 8E1).
        ("C5 30 00 01 48 F3", Sign.START_LOST),
        ("31 30 00 01 48 F3", Sign.START_LOST),
        ("8C 02 00 01 48 F3", Sign.START_LOST),
        ("46 02 00 01 48 F3", Sign.START_LOST),
        ("04 02 00 01 48 F3", Sign.START_LOST),
        # Driver cut within the last character, same model: F3 becomes FB or FF, or is missing.
        ("15 04 02 00 01 48 FB", Sign.LAST_LOST),
        ("15 04 02 00 01 48 FF", Sign.LAST_LOST),
        ("15 04 02 00 01 48", Sign.LAST_LOST),
        ("15 04 02 00 05 48 F3", Sign.DAMAGED),
        ("15 04 02 00", Sign.DAMAGED),
        # A byte of an answer nobody here knows, and its own last one missing; a switching edge.
        ("7B 15 04 02 00 01 48", Sign.ROLLED),
        ("FF 15 04 02 00 01 48", Sign.LAST_LOST),
        ("7B 15 04 02 00 05 48", Sign.DAMAGED),
        ("", Sign.SILENT),
        ("00", Sign.SILENT),
        ("95 8B 00", Sign.DAMAGED),
    ],
)
def test_signs_of_one_answer(data: str, sign: Sign) -> None:
    exchange = heard(READ_15, data, LineSettings(9600, Parity.EVEN))
    assert sample(exchange, SHORT)[0].sign is sign


def test_an_answer_inside_zeros_is_whole_with_its_flanks() -> None:
    # minimalmodbus #61: an exception 02 between two 00, reported there as a CRC error.
    request = rtu.encode(4, bytes.fromhex("0300000001")).hex()
    found, _ = sample(heard(request, "00 04 83 02 D0 F0 00"), SHORT)
    assert (found.sign, found.before, found.after) == (Sign.CLEAN, b"\0", b"\0")
    assert found.exception == 2


def test_a_byte_held_back_is_recognised_in_the_next_answer() -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001")).hex()
    first, missing = sample(heard(request, "01 03 02 12 34 B5"), SHORT)
    assert first.sign is Sign.LAST_LOST
    assert missing == 0x33
    second, missing = sample(heard(request, "33 01 03 02 12 34 B5"), SHORT, held=missing)
    assert second.sign is Sign.ROLLED
    assert missing == 0x33
    third, missing = sample(heard(request, "33 01 03 02 12 34 B5 33"), SHORT, held=missing)
    assert third.sign is Sign.ROLLED
    assert missing is None


def test_gateway_exceptions_are_told_from_those_of_a_device() -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001"))
    for code, sign in ((0x0A, Sign.GATEWAY), (0x0B, Sign.GATEWAY), (0x02, Sign.CLEAN)):
        answer = rtu.encode(1, bytes((0x83, code)))
        assert sample(heard(request.hex(), answer.hex()), SHORT)[0].sign is sign


def test_foreign_requests_and_answers_are_told_apart() -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001"))
    foreign = rtu.encode(7, bytes.fromhex("0300000004"))
    answer = rtu.encode(7, bytes.fromhex("0302ABCD"))
    found, _ = sample(heard(request.hex(), (foreign + answer).hex()), SHORT)
    assert found.sign is Sign.OTHERS
    assert found.masters == (7,)
    assert found.senders == (7,)


@pytest.mark.parametrize(
    ("data", "sign", "idle"),
    [
        # The echo alone, a low pulse before it, or its own first bytes destroyed: nobody answered.
        ("15 04 00 00 00 01 33 1E", Sign.SILENT, ()),
        ("FC 15 04 00 00 00 01 33 1E", Sign.SILENT, (b"\xfc",)),
        ("20 69 00 00 00 01 33 1E", Sign.SILENT, (b"\x20\x69",)),
        ("FC 15 04 00 00 00 01 33 1E 15 04 02 00 01 48 F3", Sign.CLEAN, ()),
    ],
)
def test_our_own_request_coming_back_is_no_damage(
    data: str, sign: Sign, idle: tuple[bytes, ...]
) -> None:
    read = rtu.encode(0x15, bytes.fromhex("0400000001"))
    data = data.replace("33 1E", read[-2:].hex(" "))
    found, _ = sample(heard(read.hex(), data), SHORT)
    assert found.sign is sign
    assert found.masters == ()
    if sign is Sign.SILENT:
        assert found.idle == idle


def test_a_cut_answer_of_another_device_names_its_sender() -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001"))
    other = rtu.encode(7, bytes.fromhex("0302ABCD"))
    for cut in (other[:-1], other[:-1] + bytes((other[-1] | 0xF0,))):
        if cut == other:
            continue
        found, _ = sample(heard(request.hex(), cut.hex()), SHORT)
        assert found.senders == (7,)


def test_a_last_byte_cut_on_a_line_that_falls_low_is_recognised() -> None:
    # F3 with its upper five bits gone reads 03 where the undriven line is low; a pulse may follow.
    for data in ("15 04 02 00 01 48 03", "15 04 02 00 01 48 03 00"):
        assert sample(heard(READ_15, data), SHORT)[0].sign is Sign.LAST_LOST


def test_a_request_for_more_than_the_protocol_allows_is_no_foreign_master() -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001"))
    for count, masters in ((4, (7,)), (0xE8E2, ())):
        foreign = rtu.encode(7, bytes.fromhex("03F573") + count.to_bytes(2, "big"))
        found, _ = sample(heard(request.hex(), foreign.hex()), SHORT)
        assert found.masters == masters


@pytest.mark.parametrize("cut", [b"", b"\xff"])
def test_a_cut_exception_still_tells_its_code(cut: bytes) -> None:
    request = rtu.encode(1, bytes.fromhex("0300000001"))
    answer = rtu.encode(1, b"\x83\x0b")
    found, _ = sample(heard(request.hex(), (answer[:-1] + cut).hex()), SHORT)
    assert (found.sign, found.exception) == (Sign.LAST_LOST, 0x0B)


def test_a_rolled_byte_behind_the_edge_of_a_driver_is_recognised() -> None:
    # FF, the last byte of the answer before (not known here), and an answer without its own.
    for edge in ("FF", "00", "80"):
        found, missing = sample(heard(READ_15, f"{edge} 3C 15 04 02 00 01 48"), SHORT)
        assert (found.sign, missing) == (Sign.ROLLED, 0xF3)
        assert found.before == bytes.fromhex(edge)
    damaged, _ = sample(heard(READ_15, "FF 3C 15 04 02 00 07 48"), SHORT)
    assert damaged.sign is Sign.DAMAGED
