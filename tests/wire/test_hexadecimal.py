"""Bytes as people write them down."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.errors import InputError
from busprobe.wire.hexadecimal import parse_hex

FRAME = bytes.fromhex("010300000002C40B")
DATA = st.binary(min_size=1, max_size=70)


@pytest.mark.parametrize(
    "text",
    [
        "01 03 00 00 00 02 C4 0B",
        "010300000002c40b",
        "0103 0000 0002 C40B",
        "01,03,00,00,00,02,C4,0B",
        "0x01 0x03 0x00 0x00 0x00 0x02 0xc4 0x0b",
        "0x1 0x3 0x0 0x0 0x0 0x2 0xc4 0xb",
        "0x010300000002C40B",
        "[0x01, 0x03, 0x00, 0x00, 0x00, 0x02, 0xC4, 0x0B]",
        "01h 03h 00h 00h 00h 02h C4h 0Bh",
        "01-03-00-00-00-02-C4-0B",
        "01:03:00:00:00:02:c4:0b",
        "  01 03\r\n00 00\n\n00 02\tC4 0B\n",
        r"\x01\x03\x00\x00\x00\x02\xc4\x0b",
        r"b'\x01\x03\x00\x00\x00\x02\xc4\x0b'",
        'b"\\x01\\x03\\x00\\x00\\x00\\x02\\xc4\\x0b"',
        "0000: 01 03 00 00\n0004: 00 02 C4 0B",
        "0000: 01  03 00 00\n0004: 00 02  C4 0B",
        "0000:  01 03 00 00  00 02 C4 0B",
        "00000000: 0103 0000 0002 c40b                      ........",
        "00000000  01 03 00 00 00 02 c4 0b                           |........|\n00000008",
    ],
)
def test_ways_to_write_a_frame(text):
    assert parse_hex(text) == FRAME


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("01 03 0G", "Line 1, column 7: '0G'"),
        ("01 03\n00 zz 00", "Line 2, column 4: 'zz'"),
        ("01 034 00", "Line 1, column 4: '034' has an odd number"),
        ("hello", "Line 1, column 1"),
        ("0x", "Line 1, column 1"),
        ("", "no bytes"),
        (" \n,;", "no bytes"),
        ("b''", "bytes literal"),
        (r"b'\x0'", "bytes literal"),
    ],
)
def test_what_is_no_byte_is_told_with_its_place(text, where):
    with pytest.raises(InputError) as caught:
        parse_hex(text)
    assert where in caught.value.cause
    assert caught.value.next_step


@given(DATA, st.sampled_from([" ", "", ", ", "\n", "-", " : "]))
def test_round_trip(data, separator):
    assert parse_hex(separator.join(f"{byte:02x}" for byte in data)) == data


@given(DATA)
def test_python_literals_round_trip(data):
    assert parse_hex(repr(data)) == data


def _dump(data, width, line):
    return "\n".join(line(at, data[at : at + width]) for at in range(0, len(data), width))


def _characters(row):
    return "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)


@given(DATA)
def test_dumps_round_trip(data):
    # The columns of `xxd` and of `hexdump -C`.
    grouped = _dump(
        data,
        16,
        lambda at, row: f"{at:08x}: {row.hex(' ', -2):<39}  {_characters(row)}",
    )
    assert parse_hex(grouped) == data
    canonical = _dump(
        data,
        16,
        lambda at, row: (
            f"{at:08x}  {row[:8].hex(' '):<23}  {row[8:].hex(' '):<23}  |{_characters(row)}|"
        ),
    )
    assert parse_hex(f"{canonical}\n{len(data):08x}\n") == data


@given(st.text(max_size=60))
def test_any_text_gives_bytes_or_an_input_error(text):
    try:
        data = parse_hex(text)
    except InputError:
        return
    assert data
    assert isinstance(data, bytes)
