"""What the worked examples of MODBUS Application Protocol V1.1b3 say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wire.functions import FunctionCode, Role
from busprobe.wire.pdu import read_registers
from busprobe.wire.words import describe
from tests.wire.spec_vectors import IDENTIFICATION, pdus

H = bytes.fromhex
PRINTED = {section: (request, response) for section, request, response in pdus()}


@pytest.mark.parametrize(
    ("section", "asked", "told"),
    [
        # Captions of the examples: "discrete outputs 20-38", addressed 19 to 37.
        ("6.1", "read 19 coils 19 to 37", "19 coils 19 to 37: 1 0 1 1 0 0 1 1"),
        ("6.2", "read 22 discrete inputs 196 to 217", "22 discrete inputs 196 to 217: 0 0 1 1"),
        (
            "6.3",
            "read 3 holding registers 107 to 109",
            "3 holding registers 107 to 109: 555 (022Bh), 0 (0000h), 100 (0064h)",
        ),
        ("6.4", "read input register 8", "input register 8: 10 (000Ah)"),
        ("6.5", "write coil 172 to on", "has set coil 172 to on"),
        ("6.6", "write holding register 1 to 3 (0003h)", "has set holding register 1 to 3"),
        ("6.7", "read exception status", "exception status 01101101"),
        ("6.8.2", "diagnostics: return query data (loop-back), data A5 37", "diagnostics: return"),
        # "the event counter value is 264, the status word is FF FF hex: still in progress".
        ("6.9", "get comm event counter", "264 events counted, busy"),
        # "264 events, 289 messages".
        ("6.10", "get comm event log", "264 events and 289 messages counted; latest events: 20 00"),
        ("6.11", "write 10 coils 19 to 28: CD 01", "has written 10 coils 19 to 28"),
        (
            "6.12",
            "write 2 holding registers 1 to 2: 10 (000Ah), 258 (0102h)",
            "has written 2 holding registers 1 to 2",
        ),
        ("6.13", "report server ID", None),
        ("6.16", "change holding register 4 by AND 00F2h and OR 0025h", "has changed holding"),
        (
            "6.17",
            "write 3 holding registers 14 to 16: 255 (00FFh), 255 (00FFh), 255 (00FFh);"
            " then read 6 holding registers 3 to 8",
            "6 holding registers 3 to 8: 254 (00FEh), 2765 (0ACDh)",
        ),
        ("6.18", "read FIFO queue at 1246", "2 queued: 440 (01B8h), 4740 (1284h)"),
        ("6.21", "read device identification: basic, from object 00h", None),
        ("7", "read coil 1185", "refuses read coils: illegal data address (exception 02)"),
    ],
)
def test_printed_examples(section, asked, told):
    request, response = PRINTED[section]
    assert describe(request, Role.REQUEST) == asked
    if told is not None:
        assert describe(response, Role.RESPONSE, request).startswith(told)


def test_identification():
    assert describe(IDENTIFICATION, Role.RESPONSE) == (
        "device identification: VendorName 'Company identification',"
        " ProductCode 'Product code XX', MajorMinorRevision 'V2.11'"
    )


def test_text_from_a_device_cannot_act_on_a_terminal():
    pdu = H("2B 0E 01 01 00 00 01 00 05") + b"\x1b[31m"
    assert "\x1b" not in describe(pdu, Role.RESPONSE)
    assert r"\x1b[31m" in describe(pdu, Role.RESPONSE)


def test_illegal_quantities_are_named():
    assert describe(H("04 0000 0101"), Role.REQUEST).endswith("more than the 125 allowed")
    assert "illegal range" in describe(H("03 FFFF 0002"), Role.REQUEST)
    assert "illegal value 0001h" in describe(H("05 0000 0001"), Role.REQUEST)
    assert describe(H("83 F4"), Role.RESPONSE).endswith("undefined exception F4h (exception F4)")


def test_response_without_its_request_names_no_address():
    assert describe(H("03 02 00 07"), Role.RESPONSE) == "1 holding register: 7 (0007h)"
    other = read_registers(3, 5, 2)
    assert describe(H("03 02 00 07"), Role.RESPONSE, other) == "1 holding register: 7 (0007h)"


@given(st.binary(max_size=60), st.sampled_from(list(Role)), st.binary(max_size=10))
def test_anything_can_be_described(pdu, role, request):
    told = describe(pdu, role, request)
    assert told
    assert told.isprintable()


@given(st.sampled_from(list(FunctionCode)), st.binary(max_size=60), st.sampled_from(list(Role)))
def test_every_public_function_can_be_described(function, body, role):
    assert describe(bytes((function,)) + body, role).isprintable()
