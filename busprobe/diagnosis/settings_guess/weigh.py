"""Which settings fit what was heard, at whatever settings it was heard.

Each stay at some settings leaves bytes, perhaps marks, and whole frames. Their likelihood is taken
under every hypothesis: a conversation at each rate and format, the same with swapped wires, an
idle line that floats, a device that never stops. Neighbouring bytes are not independent, so that
the evidence of bytes is tempered; whole frames count in full, chance does not make them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busprobe.diagnosis.settings_guess.expectation import (
    Hypothesis,
    every_settings,
    expectation,
)
from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity

FLOATING = Hypothesis(None, kind="floating")
JABBER = Hypothesis(None, kind="jabber")
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

_PRIOR_BAUD = {9600: 0.55, 19200: 0.2, 4800: 0.04, 2400: 0.03, 1200: 0.01, 38400: 0.07}
_PRIOR_FORMAT = {(Parity.NONE, 1): 0.6, (Parity.EVEN, 1): 0.3, (Parity.NONE, 2): 0.06}
_PRIOR_SWAPPED = 0.08
_PRIOR_FLOATING = 0.05
_PRIOR_JABBER = 0.02


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
        found[Hypothesis(settings, swapped=True)] = math.log(weight * _PRIOR_SWAPPED)
    found[FLOATING] = math.log(_PRIOR_FLOATING)
    found[JABBER] = math.log(_PRIOR_JABBER)
    return found


def posterior(stays: Sequence[Stay]) -> dict[Hypothesis, float]:
    """Probability of each hypothesis."""
    logs = hypotheses()
    for stay in stays:
        if stay.data:
            told = _telling(stay)
            for hypothesis in logs:
                logs[hypothesis] += _log_likelihood(stay, told, hypothesis)
    top = max(logs.values())
    weights = {h: math.exp(value - top) for h, value in logs.items()}
    total = sum(weights.values())
    return {h: w / total for h, w in weights.items()}


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
    return total + _log_rhythm(stay, hypothesis)


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


def _log_rhythm(stay: Stay, hypothesis: Hypothesis) -> float:
    runs = stay.runs
    short = sum(length <= _SHORT_RUN for length in runs)
    long = len(runs) - short
    busy = stay.busy >= _BUSY_JABBER and len(stay.data) > _MOST_BYTES
    if hypothesis.kind == "floating":
        return 0.4 * short - 3.0 * long - (20.0 if busy else 0.0)
    if hypothesis.kind == "jabber":
        return 12.0 if busy and not stay.frames else -12.0 - stay.frames
    # A receiver that is much too slow hears a frame as a byte or two.
    slow = hypothesis.settings is not None and stay.settings.baud * 4 <= hypothesis.settings.baud
    return -(0.3 if slow else 1.0) * min(short, 12) - (8.0 if busy else 0.0)


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
