"""Requests at the limits of what a device understands, so that one of two is heard alone.

A receiver follows a bit rate that is about 5 % off (8 data bits, one start bit, sampled in the
middle: half a bit in nine and a half), counted from its own bit clock. No two clocks are the same.
So between the limit of one device and that of the other there is a narrow band of rates at which
only one of them understands the request, and answers, at its own rate as ever, alone: even a device
that is always drowned by a stronger one, or that keeps quiet when it hears it. One of them is the
last to understand at fast rates, and the other, as a rule, at slow ones; both limits are looked for
by halving.

No other device is put at risk: what it mishears has no right check, and the requests only read.
"""

from __future__ import annotations

# Enough to see that an adapter takes other rates, and nothing to a device.
_HARMLESS = 0.005
# So far off, every receiver that keeps to the model understands.
SURELY_UNDERSTOOD = 0.0425
# Where limits lie, by the receiver model and by clocks that are within 1 %.
_LIKELY = (0.042, 0.070)
# The limit is looked for so closely: devices whose clocks differ less stay together.
_CLOSE = 0.0004
_MOST_TRIES = 3


class MarginSearch:
    """Chooses how far off the next request is sent.

    Attributes:
        given_up: Whether even a harmless deviation was not answered: the adapter or the line does
            not allow this.
        done: Whether both limits are found.
    """

    def __init__(self) -> None:
        self.given_up = False
        self._sides = [1, -1]
        self._harmless_tries = 0
        self._passed = False
        self._start()

    def _start(self) -> None:
        self._good, self._bad = _HARMLESS, 1.0

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
    def _trial(self) -> float:
        least, most = _LIKELY
        if self._good < least < self._bad == 1.0:
            return least
        return (self._good + min(self._bad, most)) / 2

    def take(self, answered: bool) -> None:
        """Tell whether anybody answered the request that was sent so far off."""
        self._passed = self._passed or answered
        if self._harmless_tries or not self._passed:
            # Nobody answered the first request so far off: is it the limit, or the adapter?
            self._harmless_tries = 0 if answered else self._harmless_tries + 1
            self.given_up = self._harmless_tries > _MOST_TRIES
            if not self._harmless_tries:
                self._bad = _LIKELY[0]
            return
        trial = self._trial
        if answered:
            self._good = trial
        else:
            self._bad = trial
        if min(self._bad, _LIKELY[1]) - self._good < _CLOSE:
            del self._sides[0]
            self._start()
