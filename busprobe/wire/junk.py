"""What bytes of no frame may mean.

Every meaning rests on something that can be checked in the bytes; where nothing fits, the meaning
is "unknown". How line faults turn into bytes was computed with an independent UART model (falling
edge starts a character, bits sampled in their middle, only the first stop bit tested); where the
same bytes were posted from the field, the thread is named.
"""

from __future__ import annotations

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.wire import mbap
from busprobe.wire.crc import SHORTEST_ADU
from busprobe.wire.functions import EXCEPTION_BIT, FunctionCode, Role, function_name
from busprobe.wire.remains import Judgement, Surroundings, broken, lost_start, misplaced
from busprobe.wire.structure import MORE, lengths
from busprobe.wire.words import describe

UNKNOWN = "unknown"

# One low pulse on an idle line, 8 data bits without parity: byte delivered -> longest width [bit].
# Less than half a bit is no start bit; each further bit of width clears one more data bit.
_PULSES = {0xFF: 1.5, 0xFE: 2.5, 0xFC: 3.5, 0xF8: 4.5, 0xF0: 5.5, 0xE0: 6.5, 0xC0: 7.5, 0x80: 8.5}
_FEW_PULSES = 3

# Traffic of address 1, function 3, heard with both wires swapped (8N1): idle held low, or idle read
# as 1 and a driver that takes the bus one bit early.
_SWAPPED = (b"\x7f\x7e", b"\xfd\xf9")

# Remains of a frame are sought in so many bytes at once: the longest frame and some junk before it.
_WINDOW = 512

# With more bytes than these, other judges see how a frame was cut.
_SHORT = 5

# So many bytes must agree before an alphabet says something, and so many of them be other than 00.
_ALPHABET_LEAST = 6
_ALPHABET_SPOKEN = 3


def meanings(data: bytes, around: Surroundings) -> tuple[Judgement, ...]:
    """Say what some bytes of no frame may mean.

    Returns:
        Judgements in order that together cover every byte; "unknown" where nothing fits.
    """
    found: list[Judgement] = []
    at = 0
    while at < len(data):
        # A check sum that comes out right says more than the look of a byte.
        told = misplaced(data[at : at + _WINDOW], around) if around.junk_before else None
        if told is None and (at == 0 or len(data) - at <= _WINDOW):
            text = _whole(data[at:], around)
            if text:
                found.append(Judgement(at, len(data), text))
                break
        told = told or _part(data[at : at + _WINDOW], around)
        if told is None:
            text = _begun(data[at:]) or UNKNOWN
            found.append(Judgement(at, len(data), text))
            break
        if told.start:
            ahead = Surroundings(around.before, True)
            text = _whole(data[at : at + told.start], ahead) or UNKNOWN
            found.append(Judgement(at, at + told.start, text))
        found.append(Judgement(at + told.start, at + told.stop, told.text))
        at += told.stop
        around = Surroundings(True, around.after)
    return tuple(found)


def _whole(data: bytes, around: Surroundings) -> str:
    for judge in (_pulses, _held_low, _swapped, _ascii, _modbus_tcp, _too_fast):
        text = judge(data, around)
        if text:
            return text
    return ""


def _part(data: bytes, around: Surroundings) -> Judgement | None:
    for judge in (misplaced, broken, lost_start):
        told = judge(data, around)
        if told:
            return told
    return None


def _begun(data: bytes) -> str:
    """Say of a few bytes how a frame could begin so."""
    if len(data) > _SHORT:
        return ""
    short = f"too short for a frame ({SHORTEST_ADU} bytes at least)"
    start = FIRST_ADDRESS <= data[0] <= LAST_ADDRESS
    if len(data) == 1:
        return f"{short}; perhaps address {data[0]}, the rest cut off" if start else short
    function = data[1] & ~EXCEPTION_BIT
    pdu = data[1:]
    known = function in frozenset(FunctionCode) and any(
        (length := lengths(pdu, role)) == MORE or length >= len(pdu) for role in Role
    )
    said = ""
    if start and known:
        answer = " (an exception)" if data[1] & EXCEPTION_BIT else ""
        said = (
            f"perhaps the start of a frame of address {data[0]}, function {function:02X}, "
            f"{function_name(function)}{answer}: cut off"
        )
    return "; ".join(text for text in (short if len(data) < SHORTEST_ADU else "", said) if text)


def _pulses(data: bytes, around: Surroundings) -> str:
    if len(data) > _FEW_PULSES or any(byte and byte not in _PULSES for byte in data):
        return ""
    where = (
        "in front of a frame" if around.after else "behind a frame" if around.before else "alone"
    )
    shown = data.hex(" ").upper()
    if not any(data):
        return (
            f"{shown} {where}: the line was low for a whole character (8.5 bit times or more) - an"
            " undriven bus that reads as 0 (no bias), or a receiver output that is low while its"
            " driver sends"
        )
    if set(data) == {0xFF}:
        return (
            f"{shown} {where}: low pulse of about one bit (0.5 to 1.5 bit times) - the switching"
            " edge of a driver, or a glitch"
        )
    widths = ", ".join(
        f"{byte:02X} {_PULSES[byte] - 1:g} to {_PULSES[byte]:g}" if byte else "00 8.5 or more"
        for byte in data
    )
    return f"low pulses {where} on an idle line, in bit times: {widths} - glitches or switching"


def _held_low(data: bytes, around: Surroundings) -> str:
    if any(data):
        return ""
    if around.before or around.after:
        return (
            f"{len(data)} times 00 beside a frame: the line was low while nobody drove it (no"
            " bias), or a receiver output is low while its driver sends"
        )
    return (
        f"{len(data)} times 00: the line was low again and again, or held low - wires A and B"
        " swapped or shorted, a driver stuck at 0, no bias, or a receiver 12 times too fast or more"
    )


def _swapped(data: bytes, _: Surroundings) -> str:
    if not data.startswith(_SWAPPED):
        return ""
    return (
        f"begins {data[:2].hex(' ').upper()}: traffic of address 1, function 03, heard with wires A"
        " and B swapped"
    )


def _ascii(data: bytes, _: Surroundings) -> str:
    # Modbus over Serial Line V1.02, section 2.5.2: colon, pairs of hexadecimal digits, LRC, CR LF.
    text = data.strip(b"\0\xff")
    if len(text) < 3 or not text.startswith(b":") or not set(text) <= set(b":0123456789ABCDEF\r\n"):
        return ""
    digits = text[1:].split(b"\r", 1)[0]
    if len(digits) % 2 or not text.endswith(b"\r\n"):
        return "part of a Modbus ASCII frame: somebody on this line is set to ASCII, not RTU"
    try:
        body = bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        return "Modbus ASCII frames: somebody on this line is set to ASCII, not RTU"
    if sum(body) & 0xFF or len(body) < 3:
        return "a damaged Modbus ASCII frame (LRC wrong): somebody is set to ASCII, not RTU"
    return (
        f"a whole Modbus ASCII frame of address {body[0]}, {function_name(body[1])} (LRC right):"
        " somebody on this line is set to ASCII, not RTU"
    )


def _modbus_tcp(data: bytes, _: Surroundings) -> str:
    if data[2:4] != b"\0\0":
        return ""
    decoder = mbap.Decoder()
    pieces = (*decoder.feed(data), *decoder.flush())
    adus = [piece for piece in pieces if isinstance(piece, mbap.Adu)]
    if not adus or len(adus) != len(pieces):
        return ""
    said = []
    for adu in adus:
        roles = [role for role in Role if lengths(adu.pdu, role) == len(adu.pdu)]
        if not roles:
            return ""
        said.append(
            f"transaction {adu.transaction}, unit {adu.unit}: {describe(adu.pdu, roles[0])}"
        )
    return (
        f"Modbus TCP with its MBAP header ({'; '.join(said)}): on a serial line it means that a"
        " transparent serial server is spoken to as if it were a gateway"
    )


def _alphabet(ratio: int) -> frozenset[int]:
    # A receiver `ratio` times too fast: its start bit and the next ratio-1 bits lie in the sent
    # start bit, then each sent bit fills `ratio` received ones.
    letters = set()
    for sent in range(1 << 8):
        bits = 0
        for place in range(8):
            source = (place + 1) // ratio - 1
            if source >= 0 and sent >> source & 1:
                bits |= 1 << place
        letters.add(bits)
    return frozenset(letters)


# Ratios of the usual rates, smallest alphabet first.
_ALPHABETS = tuple((ratio, _alphabet(ratio)) for ratio in (8, 6, 4, 3, 2))


def _too_fast(data: bytes, around: Surroundings) -> str:
    # A frame beside it was heard at the right rate.
    if around.before or around.after or len(data) < _ALPHABET_LEAST:
        return ""
    if len(data) - data.count(0) < _ALPHABET_SPOKEN:
        return ""
    letters = set(data)
    for ratio, alphabet in _ALPHABETS:
        if letters <= alphabet and len(letters) > 1:
            return (
                f"only {' '.join(f'{letter:02X}' for letter in sorted(letters))}: the bytes of a"
                f" receiver that is about {ratio} times too fast - listen at a lower rate"
            )
    return ""
