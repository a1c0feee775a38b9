"""Which conductor is each CT on, and which way round?

A known load is switched while the meter is read. The procedure reads the meter once a second, asks
the operator for each switching, lets the diagnosis find the steps by itself, and stops as soon as
the diagnosis is sure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from busprobe.bus.bus import MS
from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
    WiringVerdict,
    WiringWatch,
)
from busprobe.model.reading import PHASES, SignConvention
from busprobe.model.series import SwitchMark
from busprobe.procedures.operator import HandRequest, Operator
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.read_meters import DeviceReadings, MeterReader

POLL_NS = 1_000 * MS


@dataclass(frozen=True, slots=True)
class WiringPlan:
    """How the test is run.

    Attributes:
        load: The load and where it is switched.
        system: How the meter is connected.
        baseline_s: Readings before the first switching, from which the noise is learnt [s].
        on_s: How long the load stays on [s].
        off_s: How long it stays off before the next switching [s].
        most_cycles: On/off cycles per phase before the test gives up.
        passive_s: How long to watch when no operator takes part [s].
    """

    load: KnownLoad | None
    system: MeterSystem = MeterSystem.THREE_PHASE_FOUR_WIRE
    baseline_s: float = 20.0
    on_s: float = 10.0
    off_s: float = 10.0
    most_cycles: int = 8
    passive_s: float = 180.0


@dataclass
class WiringCheck:
    """The state of a wiring check at one meter.

    Attributes:
        reader: Reads the meter.
        plan: How the test is run.
        operator: Switches the load; None to watch only.
        on_poll: Told of every poll.
        on_diagnosis: Told of the verdict so far, after each switching and at the end.
        should_stop: Asked before each poll.
    """

    reader: MeterReader
    plan: WiringPlan
    operator: Operator | None = None
    observe: Observer = ignore
    on_poll: Callable[[DeviceReadings], None] | None = None
    on_diagnosis: Callable[[WiringDiagnosis], None] | None = None
    should_stop: Callable[[], bool] = lambda: False
    _watch: WiringWatch | None = None
    _start_ns: int = 0
    _next_ns: int = 0
    _polls: int = 0
    _round_s: float = 0.0
    _ahead_s: float = 0.0
    _refused: bool = field(default=False)

    async def run(self) -> WiringDiagnosis:
        """Run the test to its end, or until it is stopped; what is known then is the result."""
        self._start_ns = self._next_ns = self.reader.bus.now()
        plan = self.plan
        if self.operator is None or plan.load is None:
            self._round_s = self._ahead_s = plan.passive_s
            await self._hold(plan.passive_s, "watching the meter")
            return self._tell()
        phases = _phases(plan.load, plan.system)
        cycle_s = len(phases) * (plan.on_s + plan.off_s)
        self._round_s = self._ahead_s = plan.baseline_s + cycle_s
        await self._hold(plan.baseline_s, "learning how restless the site is")
        for cycle in range(plan.most_cycles):
            if cycle:
                self._round_s = self._ahead_s = cycle_s
            for phase in phases:
                for on in (True, False):
                    if not await self._switch(plan.load, phase, on):
                        return self._tell()
                    await self._hold(
                        plan.on_s if on else plan.off_s,
                        f"load {'on' if on else 'off'} at {phase}, cycle {cycle + 1}",
                    )
                    if self.should_stop():
                        return self._tell()
            if self._sure(self._tell()):
                break
        return self._tell()

    def _sure(self, diagnosis: WiringDiagnosis) -> bool:
        if self._watch is None:
            return False
        return self._watch.advice().sure or diagnosis.verdict is WiringVerdict.INCONSISTENT

    def _tell(self) -> WiringDiagnosis:
        if self._watch is None:
            self._watch = WiringWatch(self.plan.load, self.plan.system, {})
        diagnosis = self._watch.diagnosis()
        if self.on_diagnosis is not None:
            self.on_diagnosis(diagnosis)
        return diagnosis

    async def _switch(self, load: KnownLoad, phase: str, on: bool) -> bool:
        """Ask the operator and go on reading until they have answered; False when they refuse."""
        assert self.operator is not None
        place = "all three phases" if phase == "L1L2L3" else phase
        words = (
            f"Switch the {load.power_w:g} W load ON, on {place}."
            if on
            else f"Switch the load on {place} OFF."
        )
        self.operator.ask(HandRequest(words, phase, load.power_w, on), self.reader.bus.now())
        while (answer := self.operator.answer()) is None:
            if self.should_stop():
                return False
            await self._poll(words)
        if answer and self._watch is not None:
            self._watch.announce(SwitchMark(self._time_s(), on, phase))
        return answer

    def _time_s(self) -> float:
        return (self.reader.bus.now() - self._start_ns) / 1e9

    async def _hold(self, duration_s: float, text: str) -> None:
        until = self.reader.bus.now() + round(duration_s * 1e9)
        self._ahead_s -= duration_s
        while self.reader.bus.now() < until and not self.should_stop():
            remaining = max(0.0, (until - self.reader.bus.now()) / 1e9)
            await self._poll(f"{text}, {remaining:.0f} s more", remaining)

    async def _poll(self, text: str, held_s: float = 0.0) -> None:
        """Wait for the next second, listening, and read the meter.

        Args:
            text: What is being done.
            held_s: How long that goes on [s]; with what follows it is what is left of the round.
        """
        bus = self.reader.bus
        now = bus.now()
        if self._next_ns > now:
            await bus.listen(self._next_ns - now)
        self._next_ns = max(self._next_ns + POLL_NS, bus.now())
        left_s = held_s + self._ahead_s
        self.observe(Progress(round(self._round_s - left_s), round(self._round_s), left_s, text))
        readings = await self.reader.poll()
        self._polls += 1
        if self._watch is None:
            self._watch = WiringWatch(self.plan.load, self.plan.system, readings.uniform.steps)
        if readings.uniform.sign is not SignConvention.UNKNOWN:
            self._watch.know_sign(readings.uniform.sign)
        if readings.snapshot.quantities:
            self._watch.add(
                (readings.snapshot.t_ns - self._start_ns) / 1e9, readings.snapshot.quantities
            )
        if self.on_poll is not None:
            self.on_poll(readings)


def _phases(load: KnownLoad, system: MeterSystem) -> tuple[str, ...]:
    if load.phase != "each":
        return (load.phase,)
    if system is MeterSystem.SINGLE_PHASE:
        return PHASES[:1]
    if system is MeterSystem.SPLIT_PHASE:
        return PHASES[:2]
    return PHASES
