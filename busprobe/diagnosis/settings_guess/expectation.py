"""What each hypothesis about a line lets a receiver expect: shares of bytes, of errors, of frames.

Typical meter traffic is sent through the receiver model once for each pair of settings; the counts
become probabilities. Wrong rates show as small alphabets (a receiver six times too fast hears only
00 and E0), swapped wires as shifted bytes, wrong parity as framing or parity errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from busprobe.diagnosis.settings_guess.receiver import received, sent
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import rtu

RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_FORMATS = ((Parity.NONE, 1), (Parity.EVEN, 1), (Parity.ODD, 1), (Parity.NONE, 2))
# Chance of a byte that the model does not foresee.
_UNFORESEEN = 0.04
_PSEUDO_COUNT = 0.05
_PAUSE_CHARACTERS = 12
# Every value once, in an order without a rule to the eye.
_ALL_VALUES = bytes((n * 167 + 13) & 0xFF for n in range(256))
# Sender's clock error, and what the receiver does after a low stop bit: half of the traffic each.
_VARIANTS = ((-0.004, False), (0.003, True))


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What may be on the line.

    Attributes:
        settings: Of the conversation, or of the device that never stops; None where there is none.
        swapped: A and B are swapped at the tool.
        kind: "conversation", "floating" or "jabber".
    """

    settings: LineSettings | None
    swapped: bool = False
    kind: str = "conversation"


@dataclass(frozen=True, slots=True)
class Expectation:
    """What one receiver hears under one hypothesis.

    Attributes:
        log_good: Log probability of each byte value without an error mark.
        log_bad: Log probability of each byte value with an error mark.
        log_any: Log probability of each byte value, marks unknown.
        whole: Share of frames that arrive whole.
        marked: Share of bytes with an error mark.
        per_byte: Bytes heard for one that is sent.
    """

    log_good: tuple[float, ...]
    log_bad: tuple[float, ...]
    log_any: tuple[float, ...]
    whole: float
    marked: float
    per_byte: float = 1.0


def _typical() -> tuple[bytes, ...]:
    """Requests and answers of a master that reads meters; no chance in it, only variety."""
    frames: list[bytes] = []
    for n in range(12):
        address = (1, 2, 1, 3, 5, 1, 10, 4)[n % 8]
        function = 3 if n % 3 else 4
        register = (40072, 0, 52, 40070, 30, 342, 4096, 12)[(n * 5) % 8]
        count = (2, 10, 1, 6, 20, 2, 4, 12)[(n * 3) % 8]
        frames.append(
            rtu.encode(
                address,
                bytes((function,)) + register.to_bytes(2, "big") + count.to_bytes(2, "big"),
            )
        )
        data = bytearray()
        for place in range(count):
            # Values of a meter: small, signed, scale factors, energies.
            mixed = (n * 7919 + place * 104_729 + 13) * 2_654_435_761 >> 7
            size = (0xFF, 0xFFF, 0xFFFF, 0x3)[place % 4]
            value = mixed & size
            data += (0x10000 - value if mixed >> 20 & 7 == 0 else value & 0xFFFF).to_bytes(
                4, "big"
            )[2:]
        frames.append(rtu.encode(address, bytes((function, len(data))) + bytes(data)))
    return tuple(frames)


def every_settings() -> tuple[LineSettings, ...]:
    """Rates and formats that are weighed."""
    return tuple(LineSettings(baud, parity, stop) for baud in RATES for parity, stop in _FORMATS)


@cache
def expectation(hypothesis: Hypothesis, receiver: LineSettings) -> Expectation:
    """What a receiver hears under a hypothesis."""
    if hypothesis.kind == "floating":
        return _floating()
    if hypothesis.settings is None:
        flat = (math.log(1 / 256),) * 256
        return Expectation(flat, flat, flat, 0.0, 0.5)
    if hypothesis.kind == "jabber":
        return _endless(hypothesis.settings, receiver)
    frames = _typical()
    half = len(frames) // len(_VARIANTS)
    settings = hypothesis.settings
    pause_s = _PAUSE_CHARACTERS * settings.bits_per_character / settings.baud
    pause_s += 2 * receiver.bits_per_character / receiver.baud
    heard: list[tuple[int, bool]] = []
    # A swapped pair is idle low where bias holds it, or high where it floats; a driver may lead.
    idles = ((0, 0.0), (1, 1.0)) if hypothesis.swapped else ((1, 0.0),)
    for number, (skew, stop_is_start) in enumerate(_VARIANTS):
        for idle, lead in idles:
            line = sent(
                frames[number * half : (number + 1) * half],
                settings,
                pause_s=pause_s,
                skew=skew,
                swapped=hypothesis.swapped,
                idle=idle,
                lead_bits=lead,
            )
            heard += received(line, receiver, stop_is_start=stop_is_start)
    whole = _whole_share(bytes(value for value, _ in heard), len(frames) * len(idles))
    return _from_counts(heard, whole, sum(map(len, frames)) * len(idles))


def _endless(settings: LineSettings, receiver: LineSettings) -> Expectation:
    """Bytes without end and without meaning, each value as likely as another."""
    heard: list[tuple[int, bool]] = []
    for skew, stop_is_start in _VARIANTS:
        line = sent((_ALL_VALUES,), settings, pause_s=1.0, skew=skew)
        heard += received(line, receiver, stop_is_start=stop_is_start)
    return _from_counts(heard, 0.0, len(_ALL_VALUES) * len(_VARIANTS))


def _whole_share(data: bytes, count: int) -> float:
    whole = sum(piece.framed for piece in rtu.split(data))
    return min(1.0, whole / count)


def _from_counts(heard: list[tuple[int, bool]], whole: float, count: int) -> Expectation:
    good, bad = [0.0] * 256, [0.0] * 256
    for value, fine in heard:
        (good if fine else bad)[value] += 1
    total = max(len(heard), 1)
    # Few characters (a receiver that is much too slow) foresee little.
    floor = _PSEUDO_COUNT + _UNFORESEEN * total / 512
    whole_total = total + 512 * floor
    return Expectation(
        tuple(math.log((c + floor) / whole_total) for c in good),
        tuple(math.log((c + floor) / whole_total) for c in bad),
        tuple(math.log((g + b + 2 * floor) / whole_total) for g, b in zip(good, bad, strict=True)),
        whole,
        sum(bad) / total,
        len(heard) / count,
    )


def _floating() -> Expectation:
    """Single low pulses of any width: FF FE FC ... 80 00, a break counting as 00."""
    shares = dict.fromkeys((0xFE, 0xFC, 0xF8, 0xF0, 0xE0, 0xC0, 0x80), 0.06)
    shares[0xFF], shares[0x00] = 0.2, 0.36
    good = [
        math.log(_UNFORESEEN / 512 + (1 - _UNFORESEEN) * shares.get(b, 0.0)) for b in range(256)
    ]
    broken = [math.log(_UNFORESEEN / 512)] * 256
    broken[0] = math.log(0.3)
    return Expectation(tuple(good), tuple(broken), tuple(good), 0.0, 0.2)
