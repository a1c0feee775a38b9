"""The wiring diagnosis while the technician still has the plug in the hand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.diagnosis.wiring.diagnose import diagnose_wiring
from busprobe.diagnosis.wiring.types import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.model.reading import SignConvention
from busprobe.model.series import Series, SwitchMark

# When the verdict is sure enough to stop.
SURE = 0.999
# How long one state of the load should last [s]: the switching follows its announcement within
# 3 s, the registers within 2 s, and a few readings must be clear of both.
HOLD_S = 8.0
# The noise is learnt before the first switching [s].
BASELINE_S = 30.0
# A phase that is not clear after this many cycles wants a bigger load.
MANY_CYCLES = 4
# The house is restless where this share of its own steps reaches this share of the load.
RESTLESS_SHARE, RESTLESS_STEP = 0.1, 0.4


@dataclass(frozen=True, slots=True)
class Advice:
    """What the technician should do now.

    Attributes:
        text: In words.
        seconds_more: How much longer to leave everything as it is [s], None when it does not
            depend on time.
        sure: Whether the test can end.
    """

    text: str
    seconds_more: float | None
    sure: bool


class WiringWatch:
    """Collects readings and announcements, and says at any time what they mean.

    Args:
        load: The load that is switched, None for a passive watch.
        system: How the meter is connected.
        steps: Register steps by quantity name, where known.
        sign: What a positive power means at this meter, when that is known; else its energy
            counters are asked, once they have moved.
    """

    def __init__(
        self,
        load: KnownLoad | None,
        system: MeterSystem,
        steps: Mapping[str, float] | None = None,
        *,
        sign: SignConvention = SignConvention.UNKNOWN,
    ) -> None:
        self._load, self._system, self._sign = load, system, sign
        self._steps = dict(steps or {})
        self._t: list[float] = []
        self._columns: dict[str, list[float | None]] = {}
        self._marks: list[SwitchMark] = []
        self._known: tuple[int, int, WiringDiagnosis] | None = None

    def add(self, t_s: float, quantities: Mapping[str, float]) -> None:
        """Take one reading; a time that does not go forward is left out."""
        if not math.isfinite(t_s) or (self._t and t_s <= self._t[-1]):
            return
        rows = len(self._t)
        self._t.append(t_s)
        for name in quantities:
            self._columns.setdefault(name, [None] * rows)
        for name, values in self._columns.items():
            values.append(quantities.get(name))

    def announce(self, mark: SwitchMark) -> None:
        """Take an announcement; the real switching follows within 3 s."""
        self._marks.append(mark)

    def know_sign(self, sign: SignConvention) -> None:
        """Take what became known of the meter's sign, from its map or from somebody."""
        if sign is not self._sign:
            self._sign, self._known = sign, None

    def series(self) -> Series:
        """Everything so far."""
        return Series(
            tuple(self._t),
            {name: tuple(values) for name, values in self._columns.items()},
            tuple(self._marks),
            self._steps,
        )

    def diagnosis(self) -> WiringDiagnosis:
        """The verdict so far; computed again only when something was added."""
        rows, marks = len(self._t), len(self._marks)
        if self._known is None or self._known[:2] != (rows, marks):
            verdict = diagnose_wiring(self.series(), self._load, self._system, sign=self._sign)
            self._known = (rows, marks, verdict)
        return self._known[2]

    def advice(self) -> Advice:
        """What to do now, how much longer, and whether it is enough."""
        if not self._t:
            return Advice("Waiting for the first reading.", None, False)
        now = self._t[-1]
        if self._load is None:
            return self._passive_advice(now)
        if not self._marks:
            left = BASELINE_S - (now - self._t[0])
            if left > 0:
                return Advice("Learning what the house does by itself.", left, False)
            wanted = self._restless()
            if wanted is not None:
                return Advice(
                    f"The house is restless: a load of {wanted:.0f} W or more decides sooner. "
                    "Switch the load on.",
                    None,
                    False,
                )
            return Advice("Switch the load on.", None, False)
        last = self._marks[-1]
        left = last.t_s + HOLD_S - now
        state = "on" if last.on else "off"
        if left > 0:
            return Advice(f"Leave the load {state}.", left, False)
        verdict = self.diagnosis()
        if self._is_sure(verdict):
            return Advice("That is enough: the verdict is sure.", 0.0, True)
        if last.on:
            return Advice("Switch the load off.", None, False)
        return self._next_cycle(verdict, last.phase)

    def _restless(self) -> float | None:
        """A load that would stand out of the house's own steps [W], None where this one does."""
        assert self._load is not None
        largest = 0.0
        for name, values in self._columns.items():
            if not name.startswith("P_L"):
                continue
            steps = sorted(
                abs(late - early)
                for early, late in zip(values, values[2:], strict=False)
                if early is not None and late is not None
            )
            if steps:
                largest = max(largest, steps[int((1.0 - RESTLESS_SHARE) * (len(steps) - 1))])
        if largest <= RESTLESS_STEP * self._load.power_w:
            return None
        return math.ceil(largest / RESTLESS_STEP / 500.0) * 500.0

    def _is_sure(self, verdict: WiringDiagnosis) -> bool:
        if verdict.verdict in (WiringVerdict.CORRECT, WiringVerdict.FAULT):
            return verdict.probability >= SURE and bool(self._untested() == ())
        if verdict.verdict is WiringVerdict.AMBIGUOUS:
            return verdict.probability >= SURE and self._untested() == ()
        return verdict.verdict is WiringVerdict.INCONSISTENT and verdict.probability >= SURE

    def _untested(self) -> tuple[str, ...]:
        """Phases that the test still has to visit."""
        assert self._load is not None
        if self._load.phase != "each":
            return ()
        phases = {
            MeterSystem.SINGLE_PHASE: ("L1",),
            MeterSystem.SPLIT_PHASE: ("L1", "L2"),
        }.get(self._system, ("L1", "L2", "L3"))
        visited = {mark.phase for mark in self._marks if not mark.on}
        return tuple(p for p in phases if p not in visited)

    def _next_cycle(self, verdict: WiringDiagnosis, phase: str) -> Advice:
        assert self._load is not None
        untested = self._untested()
        if untested:
            return Advice(f"Move the plug to {untested[0]} and switch it on.", None, False)
        cycles: dict[str, int] = {}
        for mark in self._marks:
            if not mark.on:
                cycles[mark.phase] = cycles.get(mark.phase, 0) + 1
        fewest = min(cycles, key=lambda p: (cycles[p], p != phase))
        if min(cycles.values()) >= MANY_CYCLES:
            return Advice(
                f"The house is too restless for {self._load.power_w:g} W: take a bigger load "
                "(2 kW is good), or wait until it is quieter.",
                None,
                False,
            )
        if verdict.verdict is WiringVerdict.INCONSISTENT:
            return Advice("The labels do not fit: check the sockets and repeat.", None, False)
        return Advice(
            f"Not clear enough yet: switch the load on once more on {fewest}, not in a regular "
            "rhythm.",
            None,
            False,
        )

    def _passive_advice(self, now: float) -> Advice:
        verdict = self.diagnosis()
        if verdict.probability >= SURE and verdict.verdict in (
            WiringVerdict.CORRECT,
            WiringVerdict.FAULT,
            WiringVerdict.AMBIGUOUS,
        ):
            return Advice("That is as much as watching can tell.", 0.0, True)
        elapsed = now - self._t[0]
        if elapsed < 1800.0:
            return Advice("Watching what the house does by itself.", 1800.0 - elapsed, False)
        return Advice("Watching is not enough here: switch a known load.", None, False)
