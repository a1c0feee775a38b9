"""Conversation, swapped pair, wrong rate, floating idle line, noise, jabber: what was heard?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from busprobe.diagnosis.settings_guess import (
    AMID_NOISE,
    FLOATING,
    JABBER,
    NOISE,
    Stay,
    of_rates,
    of_settings,
    posterior,
    swapped,
)
from busprobe.model.line import LineSettings, Parity

SURE = 0.95
# So many whole frames at some settings make it certain that they are the right rate.
_FRAMES_PROVE = 2
# Fewer bytes than this tell nothing unless they are frames.
_FEWEST_BYTES = 6
_WEAK_SHARE = 0.5


class LineState(StrEnum):
    """What kind of thing is on the line."""

    QUIET = "quiet"
    CONVERSATION = "conversation"
    OTHER_SETTINGS = "other-settings"
    """Somebody talks, at settings that are not the ones listened at."""
    SWAPPED = "swapped-pair"
    FLOATING = "floating-idle"
    NOISE = "noise"
    JABBER = "jabber"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Heard:
    """The judgement on everything heard so far.

    Attributes:
        state: What it is.
        probability: Of the state; 1 for quiet.
        settings: The settings of the conversation, as far as known.
        alternatives: Formats that fit as well, `settings` included; one where it is sure.
        next_settings: Where to listen next, if anywhere.
        weights: Probability of each state that was weighed.
    """

    state: LineState
    probability: float
    settings: LineSettings | None
    alternatives: tuple[LineSettings, ...]
    next_settings: LineSettings | None
    weights: dict[str, float]


def judge(stays: Sequence[Stay]) -> Heard:
    """Judge what was heard at one or several settings."""
    total = sum(len(stay.data) for stay in stays)
    if not total:
        return Heard(LineState.QUIET, 1.0, None, (), None, {})
    weights = posterior(stays)
    formats, rates = of_settings(weights), of_rates(weights)
    best = max(formats, key=lambda s: formats[s])
    wrong_way = swapped(weights)
    told = {
        "swapped": wrong_way,
        "floating": weights[FLOATING],
        "noise": weights[NOISE],
        "jabber": weights[JABBER],
        "conversation": sum(formats.values()),
    }
    # One whole frame proves the rate where the bytes speak for it as well, whatever else is heard.
    spoken = sum(rates.values()) or 1.0
    proving = [
        stay
        for stay in stays
        if stay.frames >= _FRAMES_PROVE
        or (stay.frames and rates[stay.settings.baud] / spoken > 0.5)
    ]
    if proving:
        return _conversation(stays, proving, formats, told)
    for state, share in (
        (LineState.JABBER, told["jabber"]),
        (LineState.FLOATING, told["floating"]),
        (LineState.NOISE, told["noise"]),
        (LineState.SWAPPED, wrong_way),
    ):
        if share >= SURE and total >= _FEWEST_BYTES:
            guess = None
            if state is LineState.SWAPPED:
                guess = max((h for h in weights if h.swapped), key=lambda h: weights[h]).settings
            return Heard(state, share, guess, (), _next(stays, best, rates), told)
    share = told["conversation"]
    if share >= SURE and total >= _FEWEST_BYTES:
        baud = max(rates, key=lambda b: rates[b])
        sure = rates[baud] >= SURE
        # Without a whole frame it may be nothing but noise: only listening there can tell.
        talk = sure and weights[AMID_NOISE] < 0.5
        state = LineState.OTHER_SETTINGS if talk else LineState.UNDECIDED
        return Heard(
            state,
            rates[baud],
            best if sure else None,
            tuple(s for s, p in formats.items() if p > 0.05),
            _next(stays, best, rates),
            told,
        )
    return Heard(LineState.UNDECIDED, max(told.values()), None, (), _next(stays, best, rates), told)


def _next(
    stays: Sequence[Stay], best: LineSettings, rates: dict[int, float]
) -> LineSettings | None:
    """The likeliest settings, unless enough was heard there already; then the next rate."""
    heard = {stay.settings: len(stay.data) for stay in stays}
    tried = {s.baud for s in heard}
    if heard.get(best, 0) < 2 * _FEWEST_BYTES:
        return best
    left = [b for b in rates if b not in tried]
    if not left:
        return None
    baud = max(left, key=lambda b: rates[b])
    return LineSettings(baud, best.parity, best.stop_bits)


def _conversation(
    stays: Sequence[Stay],
    proving: Sequence[Stay],
    formats: dict[LineSettings, float],
    told: dict[str, float],
) -> Heard:
    baud = max(proving, key=lambda s: s.frames).settings.baud
    its = {s: p for s, p in formats.items() if s.baud == baud}
    here = [stay for stay in stays if stay.settings.baud == baud]
    blind = all(stay.marks is None and not stay.errors for stay in here)
    if blind:
        return _blind(baud, here, told)
    total = sum(its.values()) or 1.0
    # A receiver tests one stop bit only: 8N2 and 8N1 sound alike.
    merged = {s: p / total for s, p in its.items() if s.stop_bits == 1}
    two = LineSettings(baud, Parity.NONE, 2)
    one = LineSettings(baud, Parity.NONE, 1)
    if two in its:
        merged[one] = merged.get(one, 0.0) + its[two] / total
    best = max(merged, key=lambda s: merged[s])
    sure = merged[best] >= SURE
    alternatives = (best,) if sure else tuple(s for s, p in merged.items() if p > 0.02)
    tried = {stay.settings for stay in here}
    following = None if best in tried else best
    return Heard(LineState.CONVERSATION, 0.999, best, alternatives, following, told)


def _blind(baud: int, here: Sequence[Stay], told: dict[str, float]) -> Heard:
    """No marks and no counters: whole frames at 8N1 and 8E1 tell 10 bits from 11, nothing more.

    Characters of 10 bits (8N1) back to back fall apart for a receiver that takes 11; characters of
    11 bits arrive whole at both, at 8N1 with framing errors that nobody tells us of.
    """
    ten = [s for s in here if s.settings.bits_per_character == 10]
    eleven = [s for s in here if s.settings.bits_per_character == 11]
    none, even = LineSettings(baud), LineSettings(baud, Parity.EVEN)
    odd, two = LineSettings(baud, Parity.ODD), LineSettings(baud, Parity.NONE, 2)
    if any(_sound(s) for s in eleven):
        return Heard(LineState.CONVERSATION, 0.999, even, (even, odd, two), None, told)
    if any(_sound(s) for s in ten):
        if any(len(s.data) >= _FEWEST_BYTES for s in eleven):
            return Heard(LineState.CONVERSATION, 0.999, none, (none,), None, told)
        return Heard(LineState.CONVERSATION, 0.999, none, (none, even, odd, two), even, told)
    best = max(here, key=lambda s: s.framed / max(1, len(s.data))).settings
    following = even if not eleven else none if not ten else None
    return Heard(LineState.CONVERSATION, 0.999, best, (none, even, odd, two), following, told)


def _sound(stay: Stay) -> bool:
    return stay.frames >= _FRAMES_PROVE and stay.framed >= _WEAK_SHARE * len(stay.data)
