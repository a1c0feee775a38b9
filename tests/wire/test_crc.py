"""CRC-16 against the specification and three independent implementations."""

import random

import minimalmodbus
import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from busprobe.wire.crc import crc16, is_intact, is_intact_at, with_crc
from tests.wire.spec_vectors import frames


def test_worked_example_of_the_serial_line_specification():
    # Modbus over Serial Line V1.02, section 6.2.2: 02 07 gives 1241h, sent 41 12.
    assert crc16(bytes.fromhex("0207")) == 0x1241
    assert with_crc(bytes.fromhex("0207")) == bytes.fromhex("02074112")


def test_check_value():
    # The check value of CRC-16/MODBUS in the published CRC catalogues.
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    "frame",
    [
        # minimalmodbus test suite: "ABCDE" has CRC 0F 50.
        "41 42 43 44 45 0F 50",
        # pymodbus test/framer/test_framer.py.
        "11 03 00 7C 00 02 07 43",
        "11 03 04 00 8D 00 8E FB BD",
        "11 83 02 C1 34",
        "11 01 05 CD 6B B2 0E 1B 45 E6",
        # pysunspec2 test suite.
        "01 03 06 53 75 6E 53 00 01 8D E4",
        "01 03 02 00 42 38 75",
        "01 03 02 FF FF B9 F4",
    ],
)
def test_published_vectors(frame):
    assert is_intact(bytes.fromhex(frame))


@pytest.mark.parametrize(("section", "is_request", "pdu", "frame"), frames())
def test_examples_of_the_application_protocol(section, is_request, pdu, frame):
    assert with_crc(b"\x11" + pdu) == frame


@given(st.binary(min_size=1, max_size=300))
def test_agrees_with_independent_implementations(data):
    ours = crc16(data)
    assert ours == CrcModbus.calc(data)
    # pymodbus gives the two bytes in the order sent, as a big-endian number.
    assert ours.to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")
    assert with_crc(data)[-2:] == minimalmodbus._calculate_crc(data)


@given(st.binary(min_size=2, max_size=254), st.binary(max_size=9), st.integers(0, 2047))
def test_one_wrong_bit_is_always_noticed(data, before, bit):
    adu = with_crc(data)
    assert is_intact(adu)
    assert is_intact_at(before + adu, len(before), len(adu))
    broken = bytearray(adu)
    broken[bit // 8 % len(adu)] ^= 1 << bit % 8
    assert not is_intact(bytes(broken))
    assert not is_intact_at(bytes(broken), 0, len(broken))


@given(st.binary(min_size=2, max_size=254), st.lists(st.integers(0, 2047), max_size=6))
def test_both_ways_to_check_agree(data, bits):
    # Any number of wrong bits: the check of the whole and the table must say the same.
    adu = bytearray(with_crc(data))
    for bit in bits:
        adu[bit // 8 % len(adu)] ^= 1 << bit % 8
    assert is_intact_at(adu, 0, len(adu)) == (crc16(bytes(adu)) == 0)


@pytest.mark.parametrize("length", range(4, 257))
def test_every_length_is_checked_right(length):
    rng = random.Random(length)
    for _ in range(20):
        adu = bytearray(with_crc(rng.randbytes(length - 2)))
        assert is_intact_at(adu, 0, length)
        place = rng.randrange(length - 2)
        adu[place] ^= 0x01
        assert not is_intact_at(adu, 0, length)
        adu[place + 1] ^= 0x80
        assert is_intact_at(adu, 0, length) == is_intact(bytes(adu))


@given(st.binary(min_size=30, max_size=254), st.integers(0, 220))
def test_errors_that_only_one_factor_of_the_generator_sees(data, place):
    # 1 + x^2 + x^15 + x^16 = (x + 1)(x^15 + x + 1): three wrong bits in the pattern of the second
    # factor leave only the first to notice them, two adjacent ones only the second.
    adu = with_crc(data)
    for distances in ((0, 14, 15), (0, 1)):
        wrong = bytearray(adu)
        for bit in (place + distance for distance in distances):
            wrong[bit // 8] ^= 1 << bit % 8
        assert not is_intact_at(wrong, 0, len(wrong))
    # The whole generator as error is the one that no CRC can see.
    wrong = bytearray(adu)
    for bit in (place, place + 1, place + 14, place + 16):
        wrong[bit // 8] ^= 1 << bit % 8
    assert is_intact_at(wrong, 0, len(wrong))
    assert is_intact(bytes(wrong))


def test_what_is_too_long_or_too_short_is_no_adu():
    # Modbus over Serial Line V1.02, section 2.5.1.1: 4 to 256 bytes.
    assert is_intact_at(with_crc(bytes(254)), 0, 256)
    assert not is_intact_at(with_crc(bytes(255)), 0, 257)
    assert not is_intact_at(with_crc(bytes(1)), 0, 3)


@given(st.binary(min_size=2, max_size=40), st.integers(1, 9))
def test_zeros_after_a_frame_leave_its_crc_right(data, count):
    # Why a length cannot be found by trying CRCs alone.
    assert is_intact(with_crc(data) + bytes(count))


def test_too_short_is_not_intact():
    # FF FF leaves the register at 0, but no frame is that short.
    assert crc16(b"\xff\xff") == 0
    assert not is_intact(b"\xff\xff")
