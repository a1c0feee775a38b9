"""Kinds of exchanges, on exchanges made by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.duplicate.observe import Kind, observe, runs_of
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

READ = pdu.read_registers(3, 40052, 4)
GOOD = answer(bytes((3, 8)) + b"TF30-118")
OTHER = answer(bytes((3, 8)) + b"TF30-204")
SHORT = pdu.read_registers(3, 40000, 2)


def damaged(frame: bytes, *places: int) -> bytes:
    """The same with some bytes changed."""
    return bytes(b ^ 0x5A if i in places else b for i, b in enumerate(frame))


@pytest.mark.parametrize(
    ("heard", "kind"),
    [
        ([], Kind.SILENT),
        ([(20.0, b"\x00")], Kind.SILENT),
        ([(20.0, GOOD)], Kind.CLEAN),
        ([(20.0, b"\x00" + GOOD)], Kind.FLANKED),
        ([(20.0, GOOD + b"\x00\x00\x00")], Kind.FLANKED),
        ([(20.0, b"\xff" + GOOD + b"\x00")], Kind.FLANKED),
        # One low pulse of 4 bit times (computed with an independent UART model).
        ([(20.0, GOOD + b"\xf8")], Kind.PULSE),
        ([(20.0, GOOD + b"\x5d")], Kind.SPECK),
        ([(20.0, GOOD + OTHER[-2:])], Kind.TAIL),
        ([(20.0, OTHER[3:7] + GOOD)], Kind.HEAD),
        # The beginning of an answer, and then a whole one: one device begins once.
        ([(20.0, OTHER[:5] + GOOD)], Kind.TWICE),
        ([(20.0, OTHER[:6] + damaged(GOOD, 8))], Kind.TWICE),
        # Its address and function do not make a beginning, nor does an address lost.
        ([(20.0, b"\x01\x03" + GOOD)], Kind.HEAD),
        ([(20.0, GOOD), (60.0, OTHER)], Kind.TWO),
        ([(20.0, GOOD), (60.0, GOOD)], Kind.TWO),
        ([(20.0, GOOD), (60.0, damaged(OTHER, 4, 5, 6))], Kind.TWICE),
        ([(20.0, GOOD), (60.0, damaged(OTHER, 1, 4, 5, 6))], Kind.TAIL),
        # Two that garble each other, and long after them a third one by itself.
        ([(20.0, damaged(OTHER, 0, 1, 2, 3, 4)), (200.0, GOOD)], Kind.HEAD),
        ([(20.0, damaged(OTHER, 0, 1, 2, 3, 4)), (200.0, b"\x00" + GOOD)], Kind.HEAD),
        # Noise on the idle line, long after the answer, belongs to nothing.
        ([(20.0, GOOD), (80.0, b"\x5d\x31")], Kind.CLEAN),
        ([(20.0, b"\x5d\x31"), (80.0, GOOD)], Kind.CLEAN),
        ([(20.0, damaged(GOOD, 6))], Kind.BROKEN),
        ([(20.0, damaged(GOOD, 0, 1, 2, 3, 4))], Kind.GARBLED),
        ([(20.0, damaged(GOOD, 4, 5) + damaged(OTHER, 0, 1, 2)[-7:])], Kind.LONG),
        ([(20.0, damaged(GOOD, 0))], Kind.START),
        ([(20.0, b"\x01" + damaged(GOOD, 0, 1))], Kind.FRONT),
        # At once after the request it is the adapter that still drives.
        ([(1.0, damaged(GOOD, 0))], Kind.EARLY),
        ([(20.0, GOOD[:-1])], Kind.CUT),
        ([(20.0, GOOD[1:])], Kind.CUT),
    ],
)
def test_kinds(heard: list[tuple[float, bytes]], kind: Kind) -> None:
    assert observe(exchange(READ, *heard)).kind is kind


def test_damage_in_one_place_of_a_known_answer_is_no_second_device() -> None:
    seen = exchange(READ, (20.0, damaged(GOOD, 5, 6)))
    assert observe(seen, [GOOD]).kind is Kind.NICKED
    assert observe(exchange(READ, (20.0, GOOD[:4] + GOOD[5:])), [GOOD]).kind is Kind.NICKED
    assert observe(exchange(READ, (20.0, damaged(OTHER, 6))), [GOOD]).kind is Kind.BROKEN


def test_a_byte_held_back_is_taken_from_the_front_of_the_next_answer() -> None:
    cut = observe(exchange(READ, (20.0, GOOD[:-1])))
    assert cut.kind is Kind.CUT
    rolled = exchange(READ, (20.0, GOOD[-1:] + GOOD))
    assert observe(rolled).kind is Kind.SPECK
    assert observe(rolled, (), cut.head).kind is Kind.CLEAN
    again = exchange(READ, (20.0, GOOD[-1:] + GOOD[:-1]))
    assert observe(again, (), cut.head).kind is Kind.CUT


def test_what_sticks_out_of_an_answer_that_is_certain_must_be_its_end() -> None:
    certain = answer(b"\x03\x04SunS")
    seen = exchange(SHORT, (20.0, certain + certain[-3:]))
    assert observe(seen, (), b"", certain).kind is Kind.TAIL
    noise = exchange(SHORT, (20.0, certain + b"\x31\x9c\x4d"))
    assert observe(noise).kind is Kind.TAIL
    assert observe(noise, (), b"", certain).kind is Kind.SPECK


def test_a_start_spoiled_by_the_adapter_is_no_second_device() -> None:
    # Field capture posted in rosenrot00/esphome_modbus_bridge #23: C5 30 for 15 04 02.
    request = pdu.read_registers(4, 0, 1)
    heard = bytes.fromhex("C5 30 00 01 48 F3")
    seen = observe(exchange(request, (1.0, heard), address=0x15))
    assert seen.kind is Kind.EARLY


def test_an_echo_is_no_answer_even_when_damaged() -> None:
    adu = answer(READ)
    assert observe(exchange(READ, (-8.3, adu), (20.0, GOOD))).kind is Kind.CLEAN
    assert observe(exchange(READ, (-8.3, damaged(adu, 3)), (20.0, GOOD))).kind is Kind.CLEAN


def test_published_captures_with_a_missing_bias_are_a_single_device() -> None:
    # Field captures posted in libmodbus #304 (00 in front of a valid answer) and in
    # home-assistant/core #69742 (00 behind it).
    before = bytes.fromhex("00 01 03 02 6D 60 94 FC")
    seen = observe(exchange(pdu.read_registers(3, 0, 1), (20.0, before)))
    assert seen.kind is Kind.FLANKED
    assert seen.contents == (bytes.fromhex("02 6D 60"),)
    behind = before[1:] + b"\x00\x00\x00"
    assert observe(exchange(pdu.read_registers(3, 0, 1), (20.0, behind))).kind is Kind.FLANKED


def test_a_foreign_master_makes_an_exchange_say_nothing() -> None:
    foreign = answer(pdu.read_registers(3, 0, 10), address=7)
    reply = answer(bytes((3, 4, 1, 2, 3, 4)), address=7)
    seen = exchange(READ, (5.0, foreign), (40.0, reply), (80.0, GOOD))
    assert observe(seen).kind is Kind.STRANGE


def test_an_exception_is_an_answer() -> None:
    refused = answer(bytes((0x83, 2)))
    assert observe(exchange(READ, (20.0, refused))).kind is Kind.CLEAN
    assert observe(exchange(READ, (20.0, refused), (50.0, GOOD))).kind is Kind.TWO


@given(
    st.lists(st.tuples(st.floats(1.0, 400.0), st.binary(min_size=1, max_size=60)), max_size=4).map(
        lambda pieces: sorted(pieces)
    )
)
def test_whatever_is_heard_has_a_kind_and_keeps_its_bytes(heard: list[tuple[float, bytes]]) -> None:
    apart: list[tuple[float, bytes]] = []
    at = 0.0
    for start, data in heard:
        at = max(at, start)
        apart.append((at, data))
        at += len(data) * 10 / 9.6 + 0.01
    made = exchange(SHORT, *apart)
    seen = observe(made)
    assert seen.kind in Kind
    assert b"".join(run.data for run in runs_of(made)) == b"".join(data for _, data in apart)


def test_a_known_answer_is_recognised_by_what_follows_its_address() -> None:
    # The first byte of an answer is what a driver or another device destroys first.
    heard = exchange(READ, (20.0, b"\x3c" + GOOD[1:6] + b"\x3c" + GOOD[1:]))
    assert observe(heard).kind is not Kind.TWICE
    assert observe(heard, known=[GOOD]).kind is Kind.TWICE


def test_data_that_hold_the_beginning_themselves_are_no_second_one() -> None:
    same = answer(bytes((3, 8)) + bytes((1, 3, 8, 0x54, 0x46, 3, 8, 0x54)))
    assert observe(exchange(READ, (20.0, same))).kind is Kind.CLEAN
    assert observe(exchange(READ, (20.0, same)), known=[same]).kind is Kind.CLEAN
    broken = damaged(same, 10)
    assert observe(exchange(READ, (20.0, broken)), known=[same]).kind is not Kind.TWICE
