"""What each hypothesis about a line lets a receiver expect: shares of bytes, of errors, of frames.

Typical meter traffic is sent through the receiver model once for each pair of settings; the counts
become probabilities. Wrong rates show as small alphabets (a receiver six times too fast hears only
00 and E0), swapped wires as shifted bytes, wrong parity as framing or parity errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

from busprobe.diagnosis.settings_guess.receiver import Levels, received, sent
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import rtu

RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_FORMATS = ((Parity.NONE, 1), (Parity.EVEN, 1), (Parity.ODD, 1), (Parity.NONE, 2))
# Chance of a byte that the model does not foresee.
_UNFORESEEN = 0.04
_PSEUDO_COUNT = 0.05
_PAUSE_CHARACTERS = 12
# Noise: so many bursts are heard, of at most this length [s] (assumptions).
_BURSTS = 300
LONGEST_BURST_S = 5e-3
# Share of bytes of noise that may have any value (assumption).
_ANY_VALUE = 0.3
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
        kind: "conversation", "amid-noise" (a conversation with bursts of noise), "floating",
            "jabber" or "noise".
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
        return _mixed(_pulses(), _sags(receiver))
    if hypothesis.kind == "noise":
        return _flattened(_noise(receiver))
    if hypothesis.settings is None:
        flat = (math.log(1 / 256),) * 256
        return Expectation(flat, flat, flat, 0.0, 0.5)
    if hypothesis.kind == "amid-noise":
        return _mixed(expectation(Hypothesis(hypothesis.settings), receiver), _noise(receiver))
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


def _mixed(one: Expectation, other: Expectation) -> Expectation:
    """Half of the bytes from one, half from the other; half of the frames of the first whole."""

    def mixed(these: tuple[float, ...], those: tuple[float, ...]) -> tuple[float, ...]:
        pairs = zip(these, those, strict=True)
        return tuple(math.log(0.5 * math.exp(a) + 0.5 * math.exp(b)) for a, b in pairs)

    return Expectation(
        mixed(one.log_good, other.log_good),
        mixed(one.log_bad, other.log_bad),
        mixed(one.log_any, other.log_any),
        0.5 * one.whole,
        0.5 * (one.marked + other.marked),
        one.per_byte,
    )


class _Drawn:
    """Numbers that follow each other without a rule to the eye, the same every time."""

    def __init__(self) -> None:
        self._number = 1

    def __call__(self, low: float, high: float) -> float:
        """The next one, evenly on a logarithmic scale."""
        self._number = self._number * 1_103_515_245 + 12_345 & 0x7FFFFFFF
        return low * math.exp(math.log(high / low) * self._number / 0x7FFFFFFF)


def _sags(receiver: LineSettings) -> Expectation:
    """Low pulses of 0.05 to 2 ms at any times, 2 to 20 a second (assumptions).

    A slow receiver takes two of them for one character now and then.
    """
    drawn = _Drawn()
    heard: list[tuple[int, bool]] = []
    for _, stop_is_start in _VARIANTS:
        times, levels, t = [0.0], [1], 0.0
        for _ in range(_BURSTS):
            # The time to the next is short at times, as that of independent events is.
            t += drawn(0.05, 0.5) * -math.log(drawn(0.01, 1.0))
            times += (t, t := t + drawn(5e-5, 2e-3))
            levels += (0, 1)
        times.append(t + 1.0)
        levels.append(1)
        heard += received(
            Levels(tuple(times), tuple(levels)), receiver, stop_is_start=stop_is_start
        )
    return _from_counts(heard, 0.0, len(heard))


@cache
def _noise(receiver: LineSettings) -> Expectation:
    """Bursts from outside onto an idle line: levels at random for a while.

    Lengths from 0.1 to 5 ms and pieces from 20 to 300 us (assumptions).
    """
    drawn = _Drawn()
    heard: list[tuple[int, bool]] = []
    pause_s = 3 * receiver.bits_per_character / receiver.baud
    for _, stop_is_start in _VARIANTS:
        times, levels, t = [0.0], [1], 0.0
        for _ in range(_BURSTS):
            t += pause_s
            end, piece_s = t + drawn(1e-4, LONGEST_BURST_S), drawn(2e-5, 3e-4)
            while t < end:
                level = int(drawn(1.0, 2.0) > math.sqrt(2.0))
                if level != levels[-1]:
                    times.append(t)
                    levels.append(level)
                t += piece_s
            if not levels[-1]:
                times.append(t)
                levels.append(1)
        times.append(t + pause_s)
        levels.append(1)
        heard += received(
            Levels(tuple(times), tuple(levels)), receiver, stop_is_start=stop_is_start
        )
    return _from_counts(heard, 0.0, len(heard))


def _flattened(one: Expectation) -> Expectation:
    """The same with a share of bytes of any value: nobody knows the shape of a burst."""

    def flat(these: tuple[float, ...], share: float) -> tuple[float, ...]:
        return tuple(
            math.log((1 - _ANY_VALUE) * math.exp(a) + _ANY_VALUE * share / 256) for a in these
        )

    return replace(
        one,
        log_good=flat(one.log_good, 1 - one.marked),
        log_bad=flat(one.log_bad, one.marked),
        log_any=flat(one.log_any, 1.0),
    )


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


def _pulses() -> Expectation:
    """Single low pulses of any width: FF FE FC ... 80 00, a break counting as 00."""
    shares = dict.fromkeys((0xFE, 0xFC, 0xF8, 0xF0, 0xE0, 0xC0, 0x80), 0.06)
    shares[0xFF], shares[0x00] = 0.2, 0.36
    good = [
        math.log(_UNFORESEEN / 512 + (1 - _UNFORESEEN) * shares.get(b, 0.0)) for b in range(256)
    ]
    broken = [math.log(_UNFORESEEN / 512)] * 256
    broken[0] = math.log(0.3)
    return Expectation(tuple(good), tuple(broken), tuple(good), 0.0, 0.2)
