"""What a frame means, in words.

References:
    MODBUS Application Protocol Specification V1.1b3, section 6 (functions) and 7 (exceptions).
"""

from __future__ import annotations

from busprobe.model.device_text import device_text
from busprobe.model.exchange import Exchange, Frame, Unframed

# Section 6, titles.
FUNCTIONS = {
    1: "read coils",
    2: "read discrete inputs",
    3: "read holding registers",
    4: "read input registers",
    5: "write single coil",
    6: "write single register",
    8: "diagnostics",
    15: "write multiple coils",
    16: "write multiple registers",
    17: "report server ID",
    23: "read/write multiple registers",
    43: "read device identification",
}
# Section 7.
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
_READS_REGISTERS = (3, 4)


def function_words(code: int) -> str:
    """The title of a function code."""
    return FUNCTIONS.get(code, f"function {code}")


def request_words(frame: Frame) -> str:
    """What a request asks for."""
    title = function_words(frame.function)
    pdu = frame.pdu
    if frame.function in (1, 2, 3, 4, 15, 16) and len(pdu) >= 5:
        first, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        span = f"{first}" if count == 1 else f"{first}..{first + count - 1}"
        return f"{title} {span}"
    if frame.function in (5, 6) and len(pdu) >= 5:
        return f"{title} {int.from_bytes(pdu[1:3], 'big')} = {int.from_bytes(pdu[3:5], 'big')}"
    return title


def answer_words(frame: Frame) -> str:
    """What a response says."""
    if frame.exception is not None:
        name = EXCEPTIONS.get(frame.exception, "unknown exception")
        return f"exception {frame.exception}: {name}"
    pdu = frame.pdu
    if frame.function in _READS_REGISTERS and len(pdu) >= 2 and len(pdu) == 2 + pdu[1]:
        return _register_words(pdu[2:])
    if frame.function == 43 and len(pdu) > 6:
        return f"identification: {_printable(pdu[6:])}"
    if frame.function == 17 and len(pdu) > 2:
        return f"server ID: {_printable(pdu[2:])}"
    return f"{function_words(frame.function)}: {len(pdu) - 1} bytes"


def stray_words(stray: Unframed) -> str:
    """What bytes without a frame are."""
    count = len(stray.data)
    return f"{count} byte{'s' if count != 1 else ''} that form no valid frame"


def heard_words(exchange: Exchange) -> str:
    """Everything that was heard after a request, in one line."""
    if not exchange.pieces:
        return f"nothing heard for {exchange.listened_ns / 1e6:.0f} ms"
    parts = []
    for piece in exchange.pieces:
        if isinstance(piece, Unframed):
            parts.append(stray_words(piece))
        elif piece.address != exchange.request.address:
            parts.append(f"address {piece.address} speaks: {answer_words(piece)}")
        else:
            parts.append(answer_words(piece))
    return " + ".join(parts)


def fields(frame: Frame, *, asked: bool) -> list[tuple[bytes, str]]:
    """The bytes of a frame in order, each run with what it means.

    Args:
        frame: The frame.
        asked: Whether it is a request.
    """
    raw, pdu = frame.raw, frame.pdu
    at = raw.find(pdu)
    if at < 1:
        return [(raw, "bytes")]
    parts: list[tuple[bytes, str]] = []
    if at > 1:
        # Modbus Messaging on TCP/IP V1.0b, section 3.1.3: the MBAP header.
        parts.append((raw[: at - 1], "header"))
    parts.append((raw[at - 1 : at], f"address {frame.address}"))
    exception = pdu[0] & 0x80
    name = function_words(frame.function)
    parts.append((pdu[:1], f"refuses: {name}" if exception else name))
    parts += _data_fields(frame, asked)
    if check := raw[at + len(pdu) :]:
        parts.append((check, "check"))
    return parts


def _data_fields(frame: Frame, asked: bool) -> list[tuple[bytes, str]]:
    pdu = frame.pdu
    if frame.exception is not None:
        return [(pdu[1:], EXCEPTIONS.get(frame.exception, "unknown exception"))]
    first = (pdu[1:3], f"from {int.from_bytes(pdu[1:3], 'big')}")
    if asked and frame.function in (1, 2, 3, 4, 15, 16) and len(pdu) >= 5:
        known = [first, (pdu[3:5], f"count {int.from_bytes(pdu[3:5], 'big')}")]
        return [*known, (pdu[5:], "values")] if len(pdu) > 5 else known
    if frame.function in (5, 6) and len(pdu) == 5:
        return [first, (pdu[3:5], f"value {int.from_bytes(pdu[3:5], 'big')}")]
    if frame.function in _READS_REGISTERS and len(pdu) > 2 and len(pdu) == 2 + pdu[1]:
        text = _printable(pdu[2:]) if len(pdu) > 5 else ""
        return [(pdu[1:2], f"{pdu[1]} bytes follow"), (pdu[2:], text or "values")]
    return [(pdu[1:], "data")] if len(pdu) > 1 else []


def hex_words(data: bytes, longest: int | None = None) -> str:
    """Bytes in hexadecimal, cut after `longest` of them."""
    if longest is not None and len(data) > longest:
        return data[:longest].hex(" ").upper() + " ..."
    return data.hex(" ").upper()


def _register_words(data: bytes) -> str:
    count = len(data) // 2
    text = _printable(data) if len(data) >= 4 else ""
    if text:
        return f"{count} registers, text {text}"
    shown = [str(int.from_bytes(data[i : i + 2], "big")) for i in range(0, min(len(data), 12), 2)]
    more = " ..." if count > len(shown) else ""
    unit = "register" if count == 1 else "registers"
    return f"{count} {unit}: {' '.join(shown)}{more}"


def _printable(data: bytes) -> str:
    """Quoted text when the bytes look like text, else nothing."""
    kept = data.rstrip(b"\0 ")
    if not kept or not all(0x20 <= byte < 0x7F for byte in kept.replace(b"\0", b" ")):
        return ""
    return f'"{device_text(kept)}"'
