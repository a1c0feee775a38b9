"""PDUs against the worked examples of the specification and an independent decoder."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
)

from busprobe.wire import pdu as p
from busprobe.wire.functions import MEI_DEVICE_IDENTIFICATION
from busprobe.wire.structure import IMPOSSIBLE, MORE
from busprobe.wire.writing import write_register, write_registers
from tests.wire.spec_vectors import IDENTIFICATION, pdus

WORDS = st.integers(0, 0xFFFF)
H = bytes.fromhex


@pytest.mark.parametrize(
    ("section", "built"),
    [
        ("6.1", p.read_bits(1, 0x13, 0x13)),
        ("6.2", p.read_bits(2, 0xC4, 0x16)),
        ("6.3", p.read_registers(3, 0x6B, 3)),
        ("6.4", p.read_registers(4, 8, 1)),
        ("6.6", write_register(1, 3)),
        ("6.8.2", p.loop_back(0xA537)),
        ("6.12", write_registers(1, [0x000A, 0x0102])),
        ("6.13", p.report_server_id()),
        ("6.21", p.read_device_identification(1, 0)),
        ("7", p.read_bits(1, 0x04A1, 1)),
    ],
)
def test_requests_are_the_printed_ones(section, built):
    assert built == {name: request for name, request, _ in pdus()}[section]


@pytest.mark.parametrize(("section", "request_pdu", "response"), pdus())
def test_structure_finds_the_end_of_every_printed_example(section, request_pdu, response):
    for pdu, role in ((request_pdu, p.Role.REQUEST), (response, p.Role.RESPONSE)):
        if pdu is None:
            continue
        told = [p.lengths(pdu[:n], role) for n in range(len(pdu) + 1)]
        assert told[-1] == len(pdu)
        assert p.lengths(pdu + b"\x55" * 9, role) == len(pdu), "what follows must not matter"
        # Nothing at first, then the right length for good.
        assert set(told) <= {MORE, len(pdu)}
        assert told == sorted(told)


@pytest.mark.parametrize(("section", "request_pdu", "response"), pdus())
def test_printed_responses_answer_their_requests_and_no_others(section, request_pdu, response):
    if response is None:
        return
    assert p.matches(request_pdu, response)
    others = [other for name, other, _ in pdus() if name != section and other[0] != request_pdu[0]]
    assert not any(p.matches(other, response) for other in others)
    expected = p.response_length(request_pdu)
    assert expected in (None, len(response)) or response[0] & p.EXCEPTION_BIT


@pytest.mark.parametrize(("section", "request_pdu", "response"), pdus())
def test_independent_decoder_agrees_on_the_kind_of_every_printed_pdu(
    section, request_pdu, response
):
    # pymodbus knows every public function of these examples.
    for is_server, pdu in ((True, request_pdu), (False, response)):
        if pdu is None:
            continue
        theirs = DecodePDU(is_server).decode(pdu)
        assert theirs is not None
        assert theirs.function_code == pdu[0]
        assert theirs.isError() == (p.exception_of(pdu) is not None)


def test_values_of_the_printed_examples():
    by_section = {name: (request, response) for name, request, response in pdus()}
    # Section 6.3: registers 108 to 110 are 555, 0, 100. Section 6.4: input register 9 is 10.
    assert p.registers_of(*by_section["6.3"]) == (555, 0, 100)
    assert p.registers_of(*by_section["6.4"]) == (10,)
    # Section 6.17: the printed response registers.
    assert p.registers_of(*by_section["6.17"]) == (0xFE, 0xACD, 1, 3, 13, 0xFF)
    # Section 6.1: outputs 27-20 are CDh = 1100 1101, 27 the most significant; 35-28 6Bh; 38-36 101.
    bits = p.bits_of(*by_section["6.1"])
    assert bits is not None
    shown = "".join(str(int(bit)) for bit in reversed(bits))
    assert shown == "101" + "01101011" + "11001101"
    assert p.exception_of(by_section["7"][1]) == p.ExceptionCode.ILLEGAL_DATA_ADDRESS
    assert p.registers_of(*by_section["7"]) is None


def test_device_identification():
    found = p.device_identification_of(IDENTIFICATION)
    assert found is not None
    assert (found.code, found.conformity, found.more_follows, found.next_object) == (1, 1, False, 0)
    assert [(o.object_id, o.value) for o in found.objects] == [
        (0, b"Company identification"),
        (1, b"Product code XX"),
        (2, b"V2.11"),
    ]
    # The decoder of pymodbus reads the same objects.
    theirs = DecodePDU(False).decode(IDENTIFICATION)
    assert theirs is not None
    assert theirs.information == {o.object_id: o.value for o in found.objects}


def test_device_identification_with_the_printed_wrong_length_is_malformed():
    # Section 6.21 prints length 0Dh for the 15 bytes "Product code XX".
    wrong = IDENTIFICATION.replace(b"\x01\x0fProduct", b"\x01\x0dProduct")
    assert p.device_identification_of(wrong) is None
    for cut in range(len(IDENTIFICATION)):
        assert p.device_identification_of(IDENTIFICATION[:cut]) is None
        assert p.lengths(IDENTIFICATION[:cut], p.Role.RESPONSE) in (MORE, len(IDENTIFICATION))


def test_single_object_must_be_the_one_asked_for():
    request = p.read_device_identification(4, 1)
    answer = H("2B 0E 04 81 00 00 01 01 02 41 42")
    other = H("2B 0E 04 81 00 00 01 02 02 41 42")
    assert p.matches(request, answer)
    assert not p.matches(request, other)


def test_server_id_is_shown_raw():
    # The length of the ID is device specific (section 6.13), so nothing is taken apart.
    found = p.server_id_of(H("11 03 B4 FF 41"))
    assert found is not None
    assert found.raw == H("B4 FF 41")
    assert p.server_id_of(H("11 04 B4 FF 41")) is None
    assert p.server_id_of(H("91 01")) is None


def test_exception_codes_of_section_7():
    assert p.exception_name(0x0B) == "gateway target device failed to respond"
    assert p.exception_name(0x09) == "undefined exception 09h"
    assert p.exception_name(0xF4) == "undefined exception F4h"
    assert p.exception_of(H("83 0B")) == 0x0B
    assert p.exception_of(H("03 02")) is None


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: p.read_registers(3, 0, 0),
        lambda: p.read_registers(3, 0, 126),
        lambda: p.read_registers(6, 0, 1),
        lambda: p.read_registers(3, 65535, 2),
        lambda: p.read_registers(3, -1, 1),
        lambda: p.read_bits(1, 0, 2001),
        lambda: p.read_bits(3, 0, 1),
        lambda: p.read_device_identification(5),
        lambda: p.read_device_identification(1, 256),
        lambda: p.loop_back(0x10000),
        lambda: write_register(0x10000, 0),
        lambda: write_register(0, -1),
        lambda: write_registers(0, []),
        lambda: write_registers(0, [0] * 124),
        lambda: write_registers(0xFFFF, [0, 0]),
        lambda: write_registers(0, [0x10000]),
    ],
)
def test_illegal_requests_are_not_built(wrong):
    # Limits: sections 6.1 to 6.4, 6.6, 6.12 and 6.21.
    with pytest.raises(ValueError):
        wrong()


def test_the_limits_themselves_are_legal():
    assert p.read_registers(4, 65411, 125) == H("04 FF83 007D")
    assert p.read_bits(2, 0, 2000) == H("02 0000 07D0")
    assert len(write_registers(0, [0xFFFF] * 123)) == 6 + 246


@given(st.sampled_from([3, 4]), st.integers(0, 65411), st.lists(WORDS, min_size=1, max_size=125))
def test_independent_decoder_reads_our_requests_and_we_its_responses(function, address, values):
    request = p.read_registers(function, address, len(values))
    theirs = DecodePDU(True).decode(request)
    assert theirs is not None
    assert (theirs.function_code, theirs.address, theirs.count) == (function, address, len(values))
    encoder = {3: ReadHoldingRegistersResponse, 4: ReadInputRegistersResponse}[function]
    response = bytes((function,)) + encoder(registers=values).encode()
    assert p.registers_of(request, response) == tuple(values)
    assert p.response_length(request) == len(response)
    assert p.lengths(response, p.Role.RESPONSE) == len(response)


@given(st.sampled_from([1, 2]), st.integers(0, 60000), st.lists(st.booleans(), min_size=1))
def test_bits_against_the_independent_encoder(function, address, values):
    request = p.read_bits(function, address, len(values))
    encoder = {1: ReadCoilsResponse, 2: ReadDiscreteInputsResponse}[function]
    response = bytes((function,)) + encoder(bits=list(values)).encode()
    assert p.bits_of(request, response) == tuple(values)


@given(st.integers(0, 65000), st.lists(WORDS, min_size=1, max_size=123))
def test_independent_decoder_reads_our_writes(address, values):
    many = DecodePDU(True).decode(write_registers(address, values))
    assert many is not None
    assert (many.address, list(many.registers)) == (address, values)
    one = DecodePDU(True).decode(write_register(address, values[0]))
    assert one is not None
    assert (one.address, list(one.registers)) == (address, values[:1])


@given(st.integers(1, 4), st.integers(0, 255))
def test_independent_decoder_reads_our_identification_requests(code, object_id):
    theirs = DecodePDU(True).decode(p.read_device_identification(code, object_id))
    assert theirs is not None
    assert (theirs.read_code, theirs.object_id) == (code, object_id)


@given(st.integers(0, 65000), st.integers(1, 125), st.integers(1, 125))
def test_a_response_of_another_size_does_not_match(address, asked, given_back):
    # pymodbus returns such a response as it is; here it is refused.
    request = p.read_registers(3, address, asked)
    response = bytes((3, 2 * given_back)) + bytes(2 * given_back)
    assert p.matches(request, response) == (asked == given_back)
    assert (p.registers_of(request, response) is None) == (asked != given_back)


def test_the_echoed_fields_of_writes_must_agree():
    assert p.matches(H("06 0001 0003"), H("06 0001 0003"))
    assert not p.matches(H("06 0001 0003"), H("06 0001 0004"))
    assert p.matches(H("10 0001 0002 04 000A 0102"), H("10 0001 0002"))
    assert not p.matches(H("10 0001 0002 04 000A 0102"), H("10 0001 0001"))
    assert p.matches(H("08 000B 0000"), H("08 000B 0123"))
    assert not p.matches(H("08 0000 A537"), H("08 0000 A538"))
    assert not p.matches(H("08 000B 0000"), H("08 000C 0000"))
    # Loop-back of several words (section 6.8: "N x 2 bytes").
    assert p.matches(H("08 0000 A537 1234"), H("08 0000 A537 1234"))
    assert not p.matches(H("08 0000 A537 1234"), H("08 0000 A537"))


@given(st.binary(max_size=260), st.sampled_from(list(p.Role)))
def test_parsers_never_fail_and_lengths_are_legal(data, role):
    told = p.lengths(data, role)
    assert told in (MORE, IMPOSSIBLE) or 1 <= told <= p.LONGEST_PDU
    assert isinstance(p.matches(data, data[::-1]), bool)
    for parsed in (p.device_identification_of(data), p.server_id_of(data)):
        assert parsed is None or data[0] in (0x2B, 0x11)
    request = p.read_registers(3, 0, 1)
    assert p.registers_of(request, data) is None or (data[:2] == b"\x03\x02" and len(data) == 4)
    assert p.registers_of(data, data) is None or data[0] in (3, 4, 0x17)


@given(st.binary(max_size=60), st.binary(max_size=8), st.sampled_from(list(p.Role)))
def test_a_length_once_told_stands(data, more, role):
    told = p.lengths(data, role)
    later = p.lengths(data + more, role)
    if told == MORE:
        assert later in (IMPOSSIBLE, MORE) or later > len(data)
    else:
        assert later == told


@pytest.mark.parametrize(
    ("role", "pdu"),
    [
        # Byte counts that contradict the quantity (sections 6.11, 6.12, 6.17 and 6.18).
        (p.Role.REQUEST, "0F 0013 000A 01 CD"),
        (p.Role.REQUEST, "10 0001 0002 03 000A 01"),
        (p.Role.REQUEST, "17 0003 0006 000E 0003 05 00FF 00FF 00"),
        (p.Role.RESPONSE, "18 0006 0003 01B8 1284"),
        (p.Role.RESPONSE, "18 0042 0020"),
        # Odd or empty registers, no bits, too many bytes (sections 6.1 to 6.4).
        (p.Role.RESPONSE, "03 03 000A 01"),
        (p.Role.RESPONSE, "04 00"),
        (p.Role.RESPONSE, "01 00"),
        (p.Role.RESPONSE, "01 FB"),
        # Reserved sub-functions and codes (sections 6.8 and 6.21).
        (p.Role.REQUEST, "08 0015 0000"),
        (p.Role.REQUEST, "2B 0E 05 00"),
        (p.Role.RESPONSE, "2B 0E 01 01 01 00 00"),
        # Requests have no exception bit, function 0 is invalid (section 4.1).
        (p.Role.REQUEST, "83 02"),
        (p.Role.REQUEST, "00"),
        (p.Role.RESPONSE, "80 01"),
    ],
)
def test_no_length_is_told_where_the_structure_is_broken(role, pdu):
    assert p.lengths(H(pdu), role) == IMPOSSIBLE


def test_other_encapsulated_interfaces_have_no_known_structure():
    # 2B/0D (CANopen) is only referred to by the specification.
    assert p.lengths(H("2B 0D 01"), p.Role.REQUEST) == IMPOSSIBLE
    assert p.lengths(bytes((0x2B, MEI_DEVICE_IDENTIFICATION)), p.Role.REQUEST) == MORE
