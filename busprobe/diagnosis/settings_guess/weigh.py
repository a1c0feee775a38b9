"""Which settings fit what was heard, at whatever settings it was heard.

Each stay at some settings leaves bytes, perhaps marks, and whole frames. Their likelihood is taken
under every hypothesis: a conversation at each rate and format, the same with swapped wires, an
idle line that floats, bursts of noise, a device that never stops. Neighbouring bytes are not
independent, so that the evidence of bytes is tempered; whole frames count in full, chance does not
make them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busprobe.diagnosis.settings_guess.expectation import (
    LONGEST_BURST_S,
    Hypothesis,
    every_settings,
    expectation,
)
from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity

FLOATING = Hypothesis(None, kind="floating")
JABBER = Hypothesis(None, kind="jabber")
NOISE = Hypothesis(None, kind="noise")
AMID_NOISE = Hypothesis(None, kind="amid-noise")
# Evidence of bytes counts half, and no more than so many bytes of a stay are taken.
_TEMPER = 0.5
_MOST_BYTES = 120
# Typical frame, to tell how many frames some bytes should have held [byte].
_TYPICAL_FRAME = 14
# A frame that should be whole is damaged at times; one that cannot be whole is so by chance.
_WHOLE_CLIP = (1e-4, 0.93)
# A floating line leaves short runs with pauses; a conversation leaves runs of at least 4 bytes
# (whatever the rates); a jabbering device leaves no pause.
_SHORT_RUN = 3
_BUSY_JABBER = 0.6
_NO_PAUSE = 0.95
# Longest run of a conversation amid noise, as a share of its shortest requests [byte].
_SPEECH_SHARE = 0.9
_SHORTEST_REQUEST = 8
_SOME_BYTES = 40
# With this much silence nobody spoke without end, whatever the bytes look like.
_PAUSES = 0.8
_IMPOSSIBLE = -100.0
# MODBUS over Serial Line V1.02, section 2.5.1: no frame is longer [byte].
_LONGEST_FRAME = 256

_PRIOR_BAUD = {9600: 0.55, 19200: 0.2, 4800: 0.04, 2400: 0.03, 1200: 0.01, 38400: 0.07}
_PRIOR_FORMAT = {(Parity.NONE, 1): 0.6, (Parity.EVEN, 1): 0.3, (Parity.NONE, 2): 0.06}
_PRIOR_SWAPPED = 0.08
_PRIOR_FLOATING = 0.05
_PRIOR_JABBER = 0.02
_PRIOR_NOISE = 0.05
_PRIOR_AMID_NOISE = 0.02
# Pauses shorter than those between runs join bursts: so many of the longest are one run at times.
_JOINED_BURSTS = 2.0


@dataclass(frozen=True, slots=True)
class Stay:
    """What was heard at some settings.

    Attributes:
        settings: Of the receiver.
        data: Bytes.
        marks: One for each byte, or None where the link tells none.
        runs: Lengths of the runs of bytes between pauses.
        frames: Whole frames in them.
        framed: Bytes of those frames.
        busy: Share of the time from the first to the last byte in which bytes were coming, 0..1.
        errors: Framing and parity errors by the driver's counters, None where unknown.
    """

    settings: LineSettings
    data: bytes
    marks: tuple[Mark, ...] | None
    runs: tuple[int, ...]
    frames: int
    framed: int
    busy: float
    errors: int | None = None


def hypotheses() -> dict[Hypothesis, float]:
    """All hypotheses with their log prior."""
    found: dict[Hypothesis, float] = {}
    for settings in every_settings():
        weight = _PRIOR_BAUD.get(settings.baud, 0.05) * _PRIOR_FORMAT.get(
            (settings.parity, settings.stop_bits), 0.04
        )
        found[Hypothesis(settings)] = math.log(weight)
        amid = Hypothesis(settings, kind="amid-noise")
        found[amid] = math.log(weight * _PRIOR_AMID_NOISE)
        found[Hypothesis(settings, swapped=True)] = math.log(weight * _PRIOR_SWAPPED)
    found[FLOATING] = math.log(_PRIOR_FLOATING)
    found[NOISE] = math.log(_PRIOR_NOISE)
    endless = [Hypothesis(s, kind="jabber") for s in every_settings() if s.stop_bits == 1]
    for hypothesis in (JABBER, *endless):
        found[hypothesis] = math.log(_PRIOR_JABBER / (1 + len(endless)))
    return found


def posterior(stays: Sequence[Stay]) -> dict[Hypothesis, float]:
    """Probability of each hypothesis.

    A device that never stops counts as one, at any rate; a conversation amid noise as a
    conversation, and how much of it all is amid noise stands under `AMID_NOISE`.
    """
    logs = hypotheses()
    for stay in stays:
        if stay.data:
            told = _telling(stay)
            for hypothesis in logs:
                logs[hypothesis] += _log_likelihood(stay, told, hypothesis)
    top = max(logs.values())
    weights = {h: math.exp(value - top) for h, value in logs.items()}
    total = sum(weights.values())
    found = {h: w / total for h, w in weights.items() if h.kind not in ("jabber", "amid-noise")}
    for h, w in weights.items():
        if h.kind == "amid-noise":
            found[Hypothesis(h.settings)] += w / total
    found[AMID_NOISE] = sum(w for h, w in weights.items() if h.kind == "amid-noise") / total
    found[JABBER] = sum(w for h, w in weights.items() if h.kind == "jabber") / total
    return found


def _log_likelihood(
    stay: Stay, told: Sequence[tuple[int, Mark | None]], hypothesis: Hypothesis
) -> float:
    expected = expectation(hypothesis, stay.settings)
    total = _TEMPER * sum(
        expected.log_any[value]
        if mark is None
        else (expected.log_good if mark is Mark.GOOD else expected.log_bad)[value]
        for value, mark in told
    )
    if stay.errors:
        # Counters that never count prove nothing; those that do are good for a share.
        share = min(0.98, max(0.02, expected.marked))
        size = min(len(stay.data), _MOST_BYTES)
        wrong = min(size, round(size * stay.errors / len(stay.data)))
        right = size - wrong
        total += _TEMPER * (wrong * math.log(share) + right * math.log(1 - share))
    low, high = _WHOLE_CLIP
    whole = min(high, max(low, expected.whole))
    lost = max(0.0, (len(stay.data) - stay.framed) / _TYPICAL_FRAME)
    total += stay.frames * math.log(whole) + min(lost, 12.0) * math.log(1 - whole)
    return total + _log_rhythm(stay, hypothesis, expected.per_byte)


def _telling(stay: Stay) -> list[tuple[int, Mark | None]]:
    """Bytes that tell something: a master asks the same again and again, which adds nothing."""
    marks: Sequence[Mark | None] = stay.marks or (None,) * len(stay.data)
    seen: set[tuple[tuple[int, Mark | None], ...]] = set()
    found: list[tuple[int, Mark | None]] = []
    at = 0
    for length in stay.runs:
        run = tuple(zip(stay.data[at : at + length], marks[at : at + length], strict=True))
        at += length
        if run not in seen:
            seen.add(run)
            found += run
    return found[:_MOST_BYTES]


def _busiest(settings: LineSettings, receiver: LineSettings, per_byte: float) -> float:
    """Share of the time in which a receiver hears bytes of a sender that never stops, 0..1."""
    heard_per_s = per_byte * settings.baud / settings.bits_per_character
    return min(1.0, heard_per_s * receiver.bits_per_character / receiver.baud)


def _log_rhythm(stay: Stay, hypothesis: Hypothesis, per_byte: float) -> float:
    runs = stay.runs
    short = sum(length <= _SHORT_RUN for length in runs)
    long = len(runs) - short
    # A sender at another rate than the receiver's fills less of the receiver's time.
    full = 1.0
    if hypothesis.settings is not None:
        full = _busiest(hypothesis.settings, stay.settings, per_byte)
    share = stay.busy / full
    busy = share >= _BUSY_JABBER and len(stay.data) > _MOST_BYTES
    # Whoever polls pauses between frames, though an adapter may hide short pauses.
    endless = share >= _NO_PAUSE and len(runs) == 1
    longer = len(stay.data) > _LONGEST_FRAME * per_byte
    if hypothesis.kind == "floating":
        return 0.4 * short - 1.5 * long - (20.0 if busy else 0.0)
    burst_s = _JOINED_BURSTS * LONGEST_BURST_S
    burst = burst_s * stay.settings.baud / stay.settings.bits_per_character
    too_long = sum(length > max(_SHORT_RUN, burst) for length in runs)
    if hypothesis.kind == "noise":
        return 0.2 * (len(runs) - too_long) - 1.5 * too_long - (20.0 if busy else 0.0)
    if hypothesis.kind == "amid-noise":
        # A request has eight bytes at least, and noise spoils only some.
        request = _SPEECH_SHARE * _SHORTEST_REQUEST * per_byte
        speechless = len(stay.data) > _SOME_BYTES and max(runs) < request
        # Noise comes between the frames as well, in shorter runs.
        bursts = sum(length < request for length in runs)
        frames_only = 1.5 * max(0.0, 0.5 * len(runs) - bursts)
        brief = 8.0 if speechless else 0.0 if long else 2.0
        return -brief - frames_only - (4.0 if endless and longer else 0.0)
    if hypothesis.kind == "jabber":
        if share < _PAUSES:
            return _IMPOSSIBLE
        if stay.frames or not endless:
            return -12.0 - stay.frames
        return 2.0 if longer else 0.0
    # A receiver that is much too slow hears a frame as a byte or two.
    slow = hypothesis.settings is not None and stay.settings.baud * 4 <= hypothesis.settings.baud
    return -(0.3 if slow else 1.0) * min(short, 12) - (4.0 if endless and longer else 0.0)


def of_settings(weights: Mapping[Hypothesis, float]) -> dict[LineSettings, float]:
    """Probability of each rate and format, wires the right way round."""
    return {h.settings: p for h, p in weights.items() if h.settings is not None and not h.swapped}


def of_rates(weights: Mapping[Hypothesis, float]) -> dict[int, float]:
    """Probability of each rate, wires either way."""
    found: dict[int, float] = {}
    for hypothesis, p in weights.items():
        if hypothesis.settings is not None:
            baud = hypothesis.settings.baud
            found[baud] = found.get(baud, 0.0) + p
    return found


def swapped(weights: Mapping[Hypothesis, float]) -> float:
    """Probability of swapped wires."""
    return sum(p for h, p in weights.items() if h.swapped)
