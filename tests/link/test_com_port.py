"""The client's side of RFC 2217 against bytes written down from the RFCs."""

from hypothesis import given
from hypothesis import strategies as st

from busprobe.link.com_port import ComPortClient, escaped
from busprobe.link.line_errors import LineErrors
from busprobe.model.line import LineSettings, Parity

# RFC 854: IAC 255, DONT 254, DO 253, WONT 252, WILL 251, SB 250, SE 240. RFC 2217: option 44.
WILL_COM_PORT = bytes((255, 251, 44))
DO_COM_PORT = bytes((255, 253, 44))


def answer(code: int, value: bytes) -> bytes:
    """What a server sends: its codes are 100 higher than the client's (RFC 2217, section 3)."""
    doubled = value.replace(b"\xff", b"\xff\xff")
    return bytes((255, 250, 44, 100 + code)) + doubled + bytes((255, 240))


def asked(settings: LineSettings) -> ComPortClient:
    client = ComPortClient()
    client.ask_for(settings)
    return client


def test_the_option_is_offered() -> None:
    client = ComPortClient()
    client.start()
    assert WILL_COM_PORT in client.outgoing
    # RFC 856: binary in both directions, else carriage returns would be changed.
    assert bytes((255, 251, 0)) in client.outgoing
    assert bytes((255, 253, 0)) in client.outgoing
    assert client.accepted is None
    client.outgoing.clear()
    assert client.feed(DO_COM_PORT) == b""
    assert client.accepted is True
    assert not client.outgoing  # an answer to an answer would never end (RFC 1143)


def test_a_server_without_serial_port_says_no() -> None:
    client = ComPortClient()
    client.start()
    client.feed(bytes((255, 254, 44)))
    assert client.accepted is False


def test_settings_are_asked_for_as_the_rfc_writes_them() -> None:
    client = asked(LineSettings(115200, Parity.EVEN, 2))
    # RFC 2217, section 3: SET-BAUDRATE 1 (4 bytes, network order), SET-DATASIZE 2,
    # SET-PARITY 3 (1 none, 2 odd, 3 even), SET-STOPSIZE 4 (1 one, 2 two).
    assert bytes(client.outgoing) == b"".join(
        bytes((255, 250, 44)) + value + bytes((255, 240))
        for value in (b"\x01\x00\x01\xc2\x00", b"\x02\x08", b"\x03\x03", b"\x04\x02")
    )
    assert bytes((255, 250, 44, 3, 2)) in asked(LineSettings(parity=Parity.ODD)).outgoing
    assert bytes((255, 250, 44, 3, 1)) in asked(LineSettings()).outgoing


def test_a_byte_of_255_inside_a_rate_is_doubled() -> None:
    # 65280 Bd is 00 00 FF 00.
    assert b"\x01\x00\x00\xff\xff\x00\xff\xf0" in asked(LineSettings(65280)).outgoing


def test_settings_are_confirmed_one_by_one() -> None:
    client = asked(LineSettings(9600))
    for message in (answer(1, b"\x00\x00\x25\x80"), answer(2, b"\x08"), answer(3, b"\x01")):
        client.feed(message)
        assert not client.answered
    client.feed(answer(4, b"\x01"))
    assert client.answered
    assert client.refused == ()


def test_another_value_is_a_refusal() -> None:
    client = asked(LineSettings(9600, Parity.EVEN))
    client.feed(answer(3, b"\x01"))
    assert client.refused == (3,)
    assert not asked(LineSettings(9600)).refused


def test_line_errors_are_counted_once_the_server_agrees() -> None:
    client = ComPortClient()
    # RFC 2217, NOTIFY-LINESTATE: 16 break, 8 framing, 4 parity, 2 overrun.
    client.feed(answer(6, bytes((8,))) + answer(6, bytes((4 + 2,))))
    assert client.line_errors is None
    client.ask_for_reports()
    client.feed(answer(10, bytes((2 + 4 + 8 + 16,))))
    client.feed(answer(6, bytes((16 + 8,))))
    assert client.line_errors == LineErrors(framing=2, parity=1, overrun=1, breaks=1)


def test_an_echoing_server_is_asked_not_to() -> None:
    client = ComPortClient()
    client.feed(bytes((255, 251, 1)))  # WILL ECHO (RFC 857)
    assert bytes(client.outgoing) == bytes((255, 254, 1))
    client.feed(bytes((255, 251, 1, 255, 252, 1)))
    assert bytes(client.outgoing) == bytes((255, 254, 1))


def test_unknown_options_are_declined_once() -> None:
    client = ComPortClient()
    client.feed(bytes((255, 253, 24)) * 3)
    assert bytes(client.outgoing) == bytes((255, 252, 24))


@given(st.binary(max_size=300), st.lists(st.integers(1, 7), min_size=1))
def test_serial_bytes_survive_in_any_pieces(data: bytes, sizes: list[int]) -> None:
    stream = (
        DO_COM_PORT + escaped(data) + answer(1, b"\x00\x00\xff\xff") + bytes((255, 241)) + b"\x07"
    )
    whole, pieces = ComPortClient(), ComPortClient()
    out, at, turn = b"", 0, 0
    while at < len(stream):
        size = sizes[turn % len(sizes)]
        out += pieces.feed(stream[at : at + size])
        at, turn = at + size, turn + 1
    assert out == whole.feed(stream) == data + b"\x07"
    assert pieces.outgoing == whole.outgoing


@given(st.binary(max_size=400))
def test_noise_crashes_nothing_and_provokes_no_flood(noise: bytes) -> None:
    client = ComPortClient()
    heard = client.feed(noise)
    assert len(heard) <= len(noise)
    # At most one refusal for each verb and option.
    assert len(client.outgoing) <= 3 * len(noise)
    client.outgoing.clear()
    client.feed(b"\xff\xf0\xff\xf0" + noise)
    again = ComPortClient()
    again.feed(noise)
    assert isinstance(client.answered, bool)


def test_a_subnegotiation_without_end_does_not_grow() -> None:
    client = ComPortClient()
    assert client.feed(bytes((255, 250)) + bytes(100_000)) == b""
    assert client._sub is not None
    assert len(client._sub) <= 64
