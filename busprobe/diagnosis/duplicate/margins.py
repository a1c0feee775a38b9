"""Requests at the limits of what a device understands, so that one of two is heard alone.

A receiver follows a bit rate that is about 5 % off (8 data bits, one start bit, sampled in the
middle: half a bit in nine and a half), counted from its own bit clock. No two clocks are the same.
So between the limit of one device and that of the other there is a narrow band of rates at which
only one of them understands the request, and answers, at its own rate as ever, alone: even a
device that is always drowned by a stronger one, or that keeps quiet when it hears it. One of them
is the last to understand at fast rates, and the other, as a rule, at slow ones; both limits are
looked for.

Where a limit is expected says only where the search begins: halving finds any limit, but one that
is where a receiver of this kind has it is found with fewer requests.

A receiver that takes a missing stop bit for the next start bit (as 16550-like parts are said to do,
from memory) needs more luck at slow rates than one that waits for the next edge, so that the latter
may be the last to understand on both sides. A little beyond the fast limit it is the other way
round: stop bits are sampled in the start bits that follow, so that who waits for an edge loses
every second character, and who does not keeps the step, unless that character is 00 (a break). The
count of registers begins with 00; a pause in front of its neighbour shifts whose stop bits are
missed. So one more request, with a pause, may be understood by the other one alone.

No other device is put at risk: what it mishears has no right check, and the requests only read.
"""

from __future__ import annotations

import math
from itertools import accumulate

from busprobe.model.line import Parity

# Enough to see that an adapter takes other rates, and nothing to a device.
_HARMLESS = 0.005
# So far off, every receiver that keeps to the model understands.
SURELY_UNDERSTOOD = 0.0425
# No limit lies further off: a receiver that takes no notice of framing errors mistakes one data bit
# for the next at 7 % (half a bit in seven and a half), and clocks are within 1 %.
_FURTHEST = 0.09
# The limit is looked for so closely: devices whose clocks differ less stay together.
_CLOSE = 0.00012
_MOST_TRIES = 3

# Which bit is mistaken for its neighbour at the limit: so many bits before the end of the stop bit,
# and how likely that is. At fast rates the start bit that follows is taken for the stop bit; at
# slow ones the last data bit is, which a receiver may overlook if it finds the next start.
_FAST = ((0, 0.85), (1, 0.08), (2, 0.02))
_SLOW = ((0, 0.5), (1, 0.3), (2, 0.15))
# Difference of two bit clocks: common practice; how well one limit tells the other of one device.
_CLOCKS = 0.003
_SAME_CLOCKS = 0.0002
# Share of limits that are anywhere.
_ANYWHERE = 0.05
_STEP = 0.0001
# So far beyond the fast limit a receiver is asked that takes a missing stop bit for a start bit; it
# keeps the step for 0.6 %. The pause comes after address, function and half of the register.
_BEYOND = 0.0005
PAUSE_AFTER = 3


class _Expected:
    """How likely a limit is at each place, in steps."""

    def __init__(self, places: list[tuple[float, float, float]]) -> None:
        """Expect it at places, with so much doubt, and so likely; or anywhere."""
        count = round(_FURTHEST / _STEP)
        likely = [_ANYWHERE / count] * count
        for place, doubt, share in places:
            density = [
                math.exp(-(((_STEP * (i + 0.5) - place) / doubt) ** 2) / 2) for i in range(count)
            ]
            total = sum(density) or 1.0
            likely = [v + share * d / total for v, d in zip(likely, density, strict=True)]
        self._below = [0.0, *accumulate(likely)]

    def middle(self, low: float, high: float) -> float:
        """What halves the likelihood between two places, and stays off both."""
        half = (self._at(low) + self._at(high)) / 2
        first, last = 0, len(self._below) - 1
        while last - first > 1:
            between = (first + last) // 2
            first, last = (between, last) if self._below[between] <= half else (first, between)
        least = (high - low) / 20
        share = (half - self._below[first]) / (self._below[last] - self._below[first])
        return min(high - least, max(low + least, _STEP * (first + share)))

    def _at(self, place: float) -> float:
        whole = min(len(self._below) - 2, max(0, int(place / _STEP)))
        step = self._below[whole + 1] - self._below[whole]
        return self._below[whole] + step * (place / _STEP - whole)


class MarginSearch:
    """Chooses how far off the next request is sent.

    Args:
        parity: Of the line: a parity bit makes characters longer, and limits closer.

    Attributes:
        given_up: Whether even a harmless deviation was not answered: the adapter or the line does
            not allow this.
        done: Whether both limits are found.
        fast_limit: The one at fast rates, once it is found.
    """

    def __init__(self, parity: Parity = Parity.NONE) -> None:
        self.given_up = False
        self.fast_limit = 0.0
        self._sides = [1, -1]
        self._harmless_tries = 0
        self._passed = False
        # Where the stop bit is sampled [bit].
        self._stop = 9.5 if parity is Parity.NONE else 10.5
        self._good, self._bad = _HARMLESS, _FURTHEST
        self._expected = _Expected([(self._limit(bit), _CLOCKS, share) for bit, share in _FAST])

    @property
    def done(self) -> bool:
        """Whether nothing more is to be asked."""
        return self.given_up or not self._sides

    def next_offset(self) -> float | None:
        """How much faster the next request is sent, as a share of the rate; None at the end."""
        if self.done:
            return None
        if self._harmless_tries:
            return _HARMLESS
        return self._sides[0] * self._trial

    @property
    def beyond(self) -> float:
        """How far off the request with a pause is sent, as a share of the rate."""
        return self.fast_limit + _BEYOND

    @property
    def _trial(self) -> float:
        middle = self._expected.middle(self._good, self._bad)
        # The first one should be answered: it tells that the adapter takes other rates.
        return middle if self._passed else min(middle, self._limit(0))

    def _limit(self, bit: int) -> float:
        """Where a bit is mistaken by equal clocks: half a bit in those since the start bit."""
        return 0.5 / (self._stop - bit)

    def take(self, answered: bool) -> None:
        """Tell whether anybody answered the request that was sent so far off."""
        trial = self._trial
        self._passed = self._passed or answered
        if self._harmless_tries:
            # Nobody answered the first request so far off: is it the limit, or the adapter?
            self._harmless_tries = 0 if answered else self._harmless_tries + 1
            self.given_up = self._harmless_tries > _MOST_TRIES
            return
        if answered:
            self._good = trial
        else:
            self._bad = trial
            if not self._passed:
                self._harmless_tries = 1
                return
        if self._bad - self._good < _CLOSE:
            self._next_side()

    def _next_side(self) -> None:
        """Go on at slow rates; the limit at fast ones tells the clock of the same device."""
        found = (self._good + self._bad) / 2
        self.fast_limit = self.fast_limit or found
        clock = found - self._limit(0)
        del self._sides[0]
        self._good, self._bad = _HARMLESS, _FURTHEST
        self._expected = _Expected(
            [(self._limit(bit) - clock, _SAME_CLOCKS, 0.6 * share) for bit, share in _SLOW]
            + [(self._limit(bit), _CLOCKS, 0.4 * share) for bit, share in _SLOW]
        )
