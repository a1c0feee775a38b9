"""Bytes directly behind answers, against those that the line gives at any time.

Noise hits a line at random. Bytes that come directly behind answers, again and again, while next to
nothing comes of the line at other times, are the end of another answer that sticks out, or the
doing of the driver that lets go. A driver does the same nearly every time.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from busprobe.diagnosis.duplicate.observe import Kind, Observation, joined_runs_of
from busprobe.model.exchange import Exchange, Frame, Unframed

_NS_PER_S = 1e9
# Directly behind: before a silence of so many characters.
_WINDOW_CHARACTERS = 3.5
# Bytes that look the same behind so many answers are the driver's.
_DRIVERS_SHARE = 0.7
# How often noise comes before anything is known: a Gamma distribution of little weight.
_EVENTS, _SECONDS = 0.5, 0.5
# Drivers that let go now this way and now that, on a line that is quiet otherwise. Engineering
# judgement, no source.
_FITFUL_DRIVERS = 0.01


class Behind:
    """What came directly behind whole answers, and what came at other times.

    Args:
        address: What begins with it may be a late answer, and no noise.
    """

    def __init__(self, address: int) -> None:
        self._address = address
        self._answers = 0
        self._looks: Counter[bytes] = Counter()
        self._window_ns = 0.0
        self._other_runs = 0
        self._other_ns = 0.0

    def take(
        self,
        exchange: Exchange,
        seen: Observation,
        stray: Sequence[Frame | Unframed],
        gap_ns: int,
    ) -> None:
        """Take an exchange.

        Args:
            exchange: It.
            seen: What it looked like.
            stray: What was heard in the silence after it.
            gap_ns: How long that silence was listened to [ns].
        """
        if seen.kind in (Kind.STRANGE, Kind.BABBLE) or any(isinstance(p, Frame) for p in stray):
            return
        request = exchange.request
        character_ns = (request.t_end_ns - request.t_start_ns) / max(1, len(request.raw))
        runs = joined_runs_of(exchange)
        self._other_runs += sum(
            isinstance(p, Unframed) and p.data[0] != self._address for p in stray
        )
        spoken_ns = character_ns * sum(len(run.data) for run in runs)
        self._other_ns += max(0.0, exchange.listened_ns - spoken_ns) + gap_ns
        answer = exchange.answer
        for run in runs:
            if answer is None or answer.raw not in run.data:
                self._other_runs += answer is not None or seen.kind is Kind.SILENT
                continue
            behind = run.data[run.data.rindex(answer.raw) + len(answer.raw) :]
            if behind[:1] == b"\x00":
                # The pair was let go without bias: what follows is no matter of chance.
                continue
            self._answers += 1
            self._window_ns += (
                _WINDOW_CHARACTERS * character_ns + exchange.turnaround_uncertainty_ns
            )
            if behind:
                self._looks[behind] += 1

    @property
    def told(self) -> str:
        """It in words, or "" where it is no evidence."""
        if not self.log_evidence:
            return ""
        return (
            f"{self._looks.total()} of {self._answers} times bytes directly behind the answer, "
            "and not as one driver leaves them; at all other times the line gave "
            f"{self._other_runs} in {self._other_ns / _NS_PER_S:.1f} s"
        )

    @property
    def log_evidence(self) -> float:
        """For more than one device; never against."""
        number = self._looks.total()
        if not number or max(self._looks.values()) >= _DRIVERS_SHARE * self._answers:
            return 0.0
        clean = self._answers - number
        window_s = self._window_ns / self._answers / _NS_PER_S
        other_s = _SECONDS + self._other_ns / _NS_PER_S
        events = _EVENTS + self._other_runs
        # As often behind answers as at any time, by a rate that is not known.
        at_random = (
            number * math.log(window_s)
            + math.lgamma(events + number)
            - (events + number) * math.log(other_s + window_s * clean)
        )
        # By itself, every share alike.
        by_itself = (
            math.lgamma(events)
            - events * math.log(other_s)
            + math.lgamma(number + 1)
            + math.lgamma(clean + 1)
            - math.lgamma(self._answers + 2)
        )
        ratio = at_random - by_itself
        return max(0.0, -math.log(_FITFUL_DRIVERS + (1 - _FITFUL_DRIVERS) * math.exp(ratio)))
