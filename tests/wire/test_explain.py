"""Some bytes, explained: field captures, and line faults computed with an independent model."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wire.crc import with_crc
from busprobe.wire.explain import explain
from busprobe.wire.junk import UNKNOWN
from busprobe.wire.pdu import read_registers
from busprobe.wire.rtu import encode
from busprobe.wire.writing import write_register

H = bytes.fromhex
ASK = encode(1, read_registers(3, 0, 2))
TOLD = encode(1, H("03 04 00 01 00 02"))


def junk(data):
    return [(part.offset, part.hex, part.meaning) for part in explain(data).junk]


def test_exception_hidden_between_zeros():
    # minimalmodbus #61, reported there as a CRC error.
    found = explain(H("00 04 83 02 D0 F0 00"))
    (frame,) = found.frames
    assert (frame.offset, frame.length, frame.role, frame.address, frame.function) == (
        1,
        5,
        "exception",
        4,
        3,
    )
    assert "illegal data address" in frame.text
    assert [(part.offset, part.hex) for part in found.junk] == [(0, "00"), (6, "00")]
    assert all("no bias" in part.meaning for part in found.junk)


def test_request_and_response_are_named_together():
    found = explain(ASK + TOLD)
    assert [(f.role, f.text) for f in found.frames] == [
        ("request", "read 2 holding registers 0 to 1"),
        ("response", "2 holding registers 0 to 1: 1 (0001h), 2 (0002h)"),
    ]
    assert found.junk == ()


def test_echo_is_noted():
    found = explain(ASK + ASK + TOLD)
    assert [f.role for f in found.frames] == ["request", "request", "response"]
    assert "echo" in found.frames[1].text
    assert "echo" not in found.frames[0].text


def test_answer_of_another_device_is_noted():
    found = explain(ASK + encode(2, H("03 04 00 01 00 02")))
    assert found.frames[1].text.endswith("(not an answer to the request before)")


def test_broadcast_is_noted():
    (frame,) = explain(with_crc(b"\0" + write_register(1, 2))).frames
    assert (frame.address, frame.role) == (0, "request")
    assert frame.text.endswith("(to every device)")


@pytest.mark.parametrize(
    ("source", "data", "said"),
    [
        ("libmodbus #304", "00 01 03 02 6D 60 94 FC", "no bias"),
        ("ESPHome #19070", "FF 01 03 02 6D 60 94 FC", "0.5 to 1.5 bit times"),
        ("home-assistant/core #69742", "01 03 02 6D 60 94 FC 00 00 00", "no bias"),
        ("libmodbus #116", "00 00 00 00 00", "held low"),
        ("libmodbus #283", "01 03 01 31 00 01 D4", "only the last byte is missing (7 of 8"),
        (
            "esphome_modbus_bridge #23",
            "C5 30 00 01 48 F3",
            "could be the response 15 04 02 00 01 48 F3 with its start destroyed",
        ),
        # Computed: the driver releases later still.
        ("2.5 to 4.5 bits", "31 30 00 01 48 F3", "could be the response 15 04 02 00 01 48 F3"),
        ("4.5 to 6.5 bits", "8C 02 00 01 48 F3", "could be the response 15 04 02 00 01 48 F3"),
        ("pymodbus #207", "FC 01 03 02 6D 60 94", "a whole response whose last byte came first"),
        ("CRC high byte first", "01 03 02 6D 60 FC 94", "its CRC the wrong way round"),
        ("a wrong bit", "01 03 02 6D 61 94 FC", "one wrong bit explains it (bit 0 of byte 5)"),
        # Computed: traffic of address 1, function 3, with the wires swapped.
        ("swapped, idle held low", "7F 7E FF FF FB 77 7A", "A and B swapped"),
        ("swapped, idle reads 1", "FD F9 FF FF FF FB 77 7A", "A and B swapped"),
        # Computed: 01 03 00 00 00 02 C4 0B sent at 9600, heard at 19200, 38400 and 57600.
        ("twice", "06 1E 00 00 00 18 60 9E 80", "about 2 times too fast"),
        ("4 times", "78 F8 00 00 00 00 80 00 00 00 F8 78", "about 4 times too fast"),
        ("6 times", "E0 00 E0 00 00 00 00 00 00 00 00 E0 E0 00", "about 6 times too fast"),
        # eModbus #336: the posted start of a longer run.
        ("eModbus #336", "E0 00 E0 E0 00 00", "about 6 times too fast"),
        (
            "MODBUS on TCP/IP V1.0b, section 4.4.1.2",
            "15 01 00 00 00 06 FF 03 00 04 00 01",
            "Modbus TCP with its MBAP header (transaction 5377, unit 255: read holding register 4)",
        ),
        ("pymodbus test/framer", b":1103007C00026E\r\n".hex(), "ASCII frame of address 17"),
        ("the same, damaged", b":1103007C00026F\r\n".hex(), "LRC wrong"),
        ("its beginning", b":1103007C".hex(), "part of a Modbus ASCII frame"),
        ("nothing fits", "41 9C 37 D2 5A", UNKNOWN),
        # Modbus over Serial Line V1.02, section 2.5.1: address, function, CRC at least.
        ("two bytes", "01 03", "too short for a frame (4 bytes at least); perhaps the start"),
        ("two bytes", "01 03", "address 1, function 03, read holding registers: cut off"),
        ("one byte", "07", "perhaps address 7"),
        ("of an exception", "11 83 02", "function 03, read holding registers (an exception)"),
        ("five bytes", "01 03 00 00 00", "perhaps the start of a frame of address 1"),
    ],
)
def test_meaning_of_junk(source, data, said):
    found = junk(H(data))
    assert len(found) == 1, source
    assert said in found[0][2], source


@pytest.mark.parametrize(
    ("byte", "least", "most"),
    # Computed: one low pulse of that many bit times on an idle line, 8N1, delivers this byte.
    [
        ("FE", 1.5, 2.5),
        ("FC", 2.5, 3.5),
        ("F8", 3.5, 4.5),
        ("F0", 4.5, 5.5),
        ("E0", 5.5, 6.5),
        ("C0", 6.5, 7.5),
        ("80", 7.5, 8.5),
    ],
)
def test_width_of_a_pulse(byte, least, most):
    assert f"{byte} {least:g} to {most:g}" in junk(H(byte) + ASK)[0][2]


def test_with_the_request_known_the_lost_start_is_sure():
    asked = encode(0x15, read_registers(4, 0, 1))
    ((offset, data, said),) = junk(asked + H("C5 30 00 01 48 F3"))
    assert (offset, data) == (8, "C5 30 00 01 48 F3")
    assert said.startswith("the response 15 04 02 00 01 48 F3 with its start destroyed")


def test_cut_response():
    ((offset, _, said),) = junk(ASK + TOLD[:5])
    assert offset == 8
    assert said == "the expected response, cut: 5 of 9 bytes came, 4 are missing at the end"


def test_glitch_and_damaged_response_are_told_apart():
    damaged = TOLD[:4] + b"\x99" + TOLD[5:]
    found = junk(ASK + b"\0" + damaged + b"\xff")
    assert [(offset, data) for offset, data, _ in found] == [
        (8, "00"),
        (9, damaged.hex(" ").upper()),
        (18, "FF"),
    ]
    assert "no bias" in found[0][2]
    assert "the expected response of address 1 (read holding registers), damaged" in found[1][2]
    assert "switching edge" in found[2][2]


def test_late_last_byte_is_recognised_across_a_frame():
    other = encode(2, H("03 02 00 09"))
    found = junk(other[:-1] + ASK + other[-1:])
    assert "only the last byte is missing" in found[0][2]
    assert "begins with the last byte of the response before" in found[1][2]


@given(st.lists(st.one_of(st.just(ASK), st.just(TOLD), st.binary(max_size=40)), max_size=6))
def test_every_byte_is_explained_once(parts):
    data = b"".join(parts)
    found = explain(data)
    spans = [(f.offset, f.length) for f in found.frames]
    spans += [(part.offset, len(bytes.fromhex(part.hex))) for part in found.junk]
    at = 0
    for offset, length in sorted(spans):
        assert offset == at
        assert length > 0
        at += length
    assert at == len(data)
    assert all(part.meaning for part in found.junk)


def test_a_small_alphabet_beside_frames_is_no_wrong_rate():
    heard = H("E0 00 E0 E0 00 E0 00 E0")
    assert "6 times too fast" in junk(heard)[0][2]
    assert junk(ASK + heard + ASK)[0][2] == UNKNOWN
    # Too few bytes other than 00.
    assert "too fast" not in junk(H("00 00 00 E0 00 00 00 00"))[0][2]


@pytest.mark.parametrize("data", ["00 03", "F8 03", "01 44", "FA"])
def test_what_no_frame_begins_with_is_too_short_and_nothing_else(data):
    # MODBUS Application Protocol V1.1b3, section 5.1 (functions); V1.02, section 2.2 (addresses).
    assert junk(H(data))[0][2] == "too short for a frame (4 bytes at least)"


def test_many_damaged_frames_are_told_one_by_one():
    one = encode(1, H("03 04 00 01 00 02"))[:-1] + b"\x55"
    found = junk(one * 3000)
    assert len(found) == 3000
    assert {(offset % 9, data) for offset, data, _ in found} == {(0, one.hex(" ").upper())}


def test_noise_is_mostly_called_unknown():
    # A meaning must be earned: forms that chance seldom makes.
    rng = random.Random(5)
    pieces = [rng.randbytes(rng.randint(4, 60)) for _ in range(1000)]
    told = [said for piece in pieces for _, _, said in junk(piece)]
    assert sum(said == UNKNOWN for said in told) > 0.9 * len(told)


def test_a_late_answer_names_the_request_it_belongs_to() -> None:
    # Everything one transaction behind (public issues eModbus #74, libmodbus #135).
    first, second = (with_crc(bytes((a, 3, 0, 0, 0, 2))) for a in (1, 2))
    answers = [with_crc(bytes((a, 3, 4, 0, a, 0, a))) for a in (1, 2)]
    found = explain(first + second + answers[0] + first + answers[1])
    assert "late: answers the request at 0" in found.frames[2].text
    assert "answer to address 2 at 8" in found.frames[2].text
    assert "late: answers the request at 8" in found.frames[4].text
    in_turn = explain(first + answers[0] + second + answers[1])
    assert not any("late" in frame.text for frame in in_turn.frames)


def test_rolling_answers_are_followed_from_one_to_the_next() -> None:
    # Public issue pymodbus #207: the first byte read belongs to the response before. The second one
    # held back, F0, could pass for a low pulse.
    request = with_crc(bytes((1, 3, 0, 0, 0, 2)))
    answers = [with_crc(bytes((1, 3, 4, 0, 5, 0, value))) for value in (6, 7)]
    assert answers[1][-1] == 0xF0
    held = [(a[:-1], a[-1:]) for a in answers]
    wire = request + held[0][0] + request + held[0][1] + held[1][0] + request + held[1][1]
    found = explain(wire + answers[0])
    late = [j for j in found.junk if "handed over late" in j.meaning]
    assert [j.hex for j in late] == [held[0][1].hex().upper(), "F0"]
