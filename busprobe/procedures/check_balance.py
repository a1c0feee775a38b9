"""Do the meters of a site add up?

All meters are read in turn, again and again; every reading keeps the instant at which its answer
ended. Where somebody can hold a source back, the procedure asks for it twice. It stops as soon as
the diagnosis is sure.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from busprobe.bus.bus import MS
from busprobe.diagnosis.balance import (
    BalanceDiagnosis,
    BalanceWatch,
    CurtailMark,
    MeterRole,
)
from busprobe.procedures.operator import HandRequest, Operator
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.read_meters import DeviceReadings, MeterReader

POLL_NS = 1_000 * MS
# A verdict is computed this often while nothing is asked for [s].
_LOOK_EVERY_S = 12.0


@dataclass(frozen=True, slots=True)
class BalanceMeter:
    """A meter that takes part.

    Attributes:
        name: What it is called in the answer.
        reader: Reads it.
        known: What it is said to measure.
    """

    name: str
    reader: MeterReader
    known: MeterRole


@dataclass(frozen=True, slots=True)
class BalancePlan:
    """How the test is run.

    Attributes:
        duration_s: How long to read at most [s].
        least_s: How long to read at least before an early end [s].
        curtail: Names of the meters whose sources are held back on request.
        rounds: How often each is held back.
        share: Share of its power that it keeps.
        hold_s: How long it is held back, and how long it is free again [s].
        baseline_s: Readings before the first request [s].
    """

    duration_s: float = 360.0
    least_s: float = 40.0
    curtail: Sequence[str] = ()
    rounds: int = 2
    share: float = 0.1
    hold_s: float = 40.0
    baseline_s: float = 30.0


@dataclass
class BalanceCheck:
    """The state of one balance check.

    Attributes:
        meters: All meters, the feed-in meter among them.
        plan: How the test is run.
        operator: Holds sources back; None to watch only.
        prepare: Called with its address before a meter is read, where settings differ.
        on_poll: Told of every poll.
        on_diagnosis: Told of the verdict so far.
        should_stop: Asked before each poll.
    """

    meters: Sequence[BalanceMeter]
    plan: BalancePlan = field(default_factory=BalancePlan)
    operator: Operator | None = None
    prepare: Callable[[int], Awaitable[None]] | None = None
    observe: Observer = ignore
    on_poll: Callable[[DeviceReadings], None] | None = None
    on_diagnosis: Callable[[BalanceDiagnosis], None] | None = None
    should_stop: Callable[[], bool] = lambda: False

    def __post_init__(self) -> None:
        self._bus = self.meters[0].reader.bus
        self._start_ns = self._next_ns = self._bus.now()
        self._rounds = 0
        self.watch = BalanceWatch({m.name: m.known for m in self.meters})

    async def run(self) -> BalanceDiagnosis:
        """Read to the end, or until it is sure or stopped; what is known then is the result."""
        plan = self.plan
        if self.operator is not None and plan.curtail:
            await self._hold(plan.baseline_s, "reading all meters in turn")
            for number in range(plan.rounds):
                for name in plan.curtail:
                    if not await self._round(name, number):
                        return self._tell()
                if self._tell_sure():
                    return self.watch.diagnosis()
            return self._tell()
        until_s = self._now_s() + plan.duration_s
        while self._now_s() < until_s and not self.should_stop():
            left = until_s - self._now_s()
            await self._hold(min(_LOOK_EVERY_S, left), "reading all meters in turn", left)
            if self._tell_sure() and self._now_s() >= plan.least_s:
                break
        return self._tell()

    def _now_s(self) -> float:
        return (self._bus.now() - self._start_ns) / 1e9

    def _tell(self) -> BalanceDiagnosis:
        found = self.watch.diagnosis()
        if self.on_diagnosis is not None:
            self.on_diagnosis(found)
        return found

    def _tell_sure(self) -> bool:
        self._tell()
        return self.watch.sure

    async def _round(self, name: str, number: int) -> bool:
        """Hold one source back and set it free again; False when refused or stopped."""
        for held in (True, False):
            if not await self._command(name, held):
                return False
            state = f"{name} {'held back' if held else 'free'}, round {number + 1}"
            await self._hold(self.plan.hold_s, state)
            if self.should_stop():
                return False
        return True

    async def _command(self, name: str, held: bool) -> bool:
        """Ask for one change and read on until it is done."""
        assert self.operator is not None
        share = self.plan.share if held else 1.0
        words = (
            f"Hold {name} back to {100 * share:.0f} % of its power."
            if held
            else f"Set {name} free again."
        )
        address = next(m.reader.device.address for m in self.meters if m.name == name)
        self.operator.ask(HandRequest(words, "", 0.0, not held, address, share), self._bus.now())
        while (answer := self.operator.answer()) is None:
            if self.should_stop():
                return False
            await self._poll_all(words)
        if answer:
            self.watch.commanded(CurtailMark(self._now_s(), name, held))
        return answer

    async def _hold(self, duration_s: float, text: str, left_s: float | None = None) -> None:
        until = self._bus.now() + round(duration_s * 1e9)
        while self._bus.now() < until and not self.should_stop():
            remaining = duration_s if left_s is None else left_s
            remaining -= duration_s - max(0.0, (until - self._bus.now()) / 1e9)
            await self._poll_all(f"{text}, {max(0.0, remaining):.0f} s more")

    async def _poll_all(self, text: str) -> None:
        """Wait for the next second, listening, and read every meter once."""
        now = self._bus.now()
        if self._next_ns > now:
            await self._bus.listen(self._next_ns - now)
        self._next_ns = max(self._next_ns + POLL_NS, self._bus.now())
        self._rounds += 1
        self.observe(Progress(self._rounds, 0, None, text))
        for meter in self.meters:
            if self.should_stop():
                return
            await self._poll(meter)

    async def _poll(self, meter: BalanceMeter) -> None:
        if self.prepare is not None:
            await self.prepare(meter.reader.device.address)
        readings = await meter.reader.poll()
        snapshot = readings.snapshot
        if snapshot.quantities:
            self.watch.add(
                meter.name,
                (snapshot.t_ns - self._start_ns) / 1e9,
                snapshot.quantities,
                readings.uniform.steps,
            )
        if self.on_poll is not None:
            self.on_poll(readings)
