"""One meter on the table before the visit: everything that can be asked of it by reading."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis import bench
from busprobe.diagnosis.bench import Reference
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange
from busprobe.model.reading import Snapshot
from busprobe.procedures.asking import turnaround_of
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.read_meters import MeterReader
from busprobe.profiles.reads import MOST_REGISTERS
from busprobe.profiles.sunspec import WalkAnomaly
from busprobe.wire import pdu, timing

_LISTEN_NS = 1_000 * MS
_GAPS_MS = (0, 2, 5, 10, 20, 50, 100, 200, 500)
_GAP_TRIES = 12
_TRIES = 4
# Beyond every map that is known: registers that no device should have.
_NO_REGISTER = 65_000


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """How thorough to be.

    Attributes:
        requests: Requests for the response statistics.
        watch_s: How long to hold the counter against the power [s].
        references: What another instrument shows.
        accuracy_class: Class of the meter, a key of `busprobe.diagnosis.bench.CLASSES`.
    """

    requests: int = 100
    watch_s: float = 60.0
    references: tuple[Reference, ...] = ()
    accuracy_class: str = "1"


async def bench_meter(
    reader: MeterReader,
    anomalies: Sequence[WalkAnomaly],
    plan: BenchPlan,
    observe: Observer = ignore,
    should_stop: Callable[[], bool] = lambda: False,
) -> tuple[Check, ...]:
    """Run the bench test; stopped early, what was not tested is told as such."""
    device, bus = reader.device, reader.bus
    test = _Bench(bus, device, observe, should_stop)
    checks = [bench.identity_check(device), bench.map_check(device, anomalies)]
    readings = await reader.poll()
    for block in readings.blocks:
        if block.block is not None:
            checks.append(bench.points_check(device, block.block.model_id, block.readings))
    checks.append(await test.answers(plan.requests))
    checks.append(await test.exceptions())
    checks.append(await test.longest_read())
    checks.append(await test.smallest_gap())
    polls = await test.watch(reader, plan.watch_s)
    checks.append(bench.counter_check(device.address, polls, readings.uniform.steps))
    last = polls[-1] if polls else readings.snapshot
    checks += bench.reference_checks(
        device.address,
        plan.references,
        last.quantities,
        readings.uniform.steps,
        plan.accuracy_class,
    )
    return tuple(checks)


@dataclass
class _Bench:
    bus: Bus
    device: Device
    observe: Observer
    should_stop: Callable[[], bool]

    @property
    def _base(self) -> int:
        return self.device.sunspec.base if self.device.sunspec is not None else 0

    @property
    def _function(self) -> int:
        return self.device.functions[0] if self.device.functions else 3

    def _not_tested(self, name: str, title: str, why: str) -> Check:
        return Check(
            name, f"address {self.device.address}", title, "", why, CheckOutcome.NOT_TESTED
        )

    async def _ask(self, request: bytes, gap_ns: int | None = None) -> Exchange:
        return await self.bus.exchange(
            self.device.address, request, listen_ns=_LISTEN_NS, gap_ns=gap_ns
        )

    async def answers(self, count: int) -> Check:
        """Ask many times, alternating short and longer reads."""
        asked: list[Exchange] = []
        for number in range(count):
            if self.should_stop():
                break
            self.observe(Progress(number, count, None, "asking again and again"))
            quantity = 2 if number % 2 else 20
            asked.append(
                await self._ask(pdu.read_registers(self._function, self._base, quantity), 20 * MS)
            )
        if not asked:
            return self._not_tested("answers", "It answers every request", "stopped")
        took = turnaround_of(asked)
        answered = sum(e.answer is not None for e in asked)
        return bench.answers_check(
            self.device.address,
            len(asked),
            answered,
            took.median_ms or 0.0,
            took.p95_ms or 0.0,
        )

    async def exceptions(self) -> Check:
        """Ask for what it must refuse (MODBUS Application Protocol V1.1b3, sections 6.3 and 7)."""
        cases: list[tuple[str, int | None, tuple[int, ...]]] = []
        for words, request, allowed in (
            ("0 registers", _illegal_read(self._function, self._base, 0), (3, 2)),
            ("126 registers", _illegal_read(self._function, self._base, 126), (3, 2)),
            (
                f"register {_NO_REGISTER}",
                pdu.read_registers(self._function, _NO_REGISTER, 1),
                (2,),
            ),
            # A meter has no coils as a rule: it may have some, but must not be silent.
            ("a coil", pdu.read_bits(1, 0, 1), (bench.ANSWERED, 1, 2)),
        ):
            if self.should_stop():
                return self._not_tested("exceptions", "It refuses illegal requests", "stopped")
            self.observe(Progress(len(cases), 4, None, f"asking for {words}"))
            cases.append((words, await self._refusal(request), allowed))
        return bench.exceptions_check(self.device.address, cases)

    async def _refusal(self, request: bytes) -> int | None:
        """The exception code it answers with, 0 for an answer, None for silence.

        A device that says it is busy (05, 06) is asked again.
        """
        code: int | None = None
        for _ in range(_TRIES):
            answer = (await self._ask(request, 50 * MS)).answer
            code = None if answer is None else answer.exception or bench.ANSWERED
            if code not in (None, 5, 6):
                break
        return code

    async def longest_read(self) -> Check:
        """The most registers it gives in one answer."""
        title = "It gives long reads"
        low, high = 0, MOST_REGISTERS + 1
        first = self._longest_map_read()
        if first is None:
            return self._not_tested("long-reads", title, "no block of registers is known")
        start, available = first
        high = min(high, available + 1)
        while high - low > 1 and not self.should_stop():
            middle = (low + high) // 2
            self.observe(Progress(0, 0, None, f"reading {middle} registers at once"))
            request = pdu.read_registers(self._function, start, middle)
            if await self._refusal(request) == bench.ANSWERED:
                low = middle
            else:
                high = middle
        whole = low >= available or low == MOST_REGISTERS
        return Check(
            "long-reads",
            f"address {self.device.address}",
            title,
            f"{min(available, MOST_REGISTERS)} registers of its map",
            f"{low} registers in one answer",
            CheckOutcome.PASS if whole else CheckOutcome.FAIL,
        )

    def _longest_map_read(self) -> tuple[int, int] | None:
        sunspec = self.device.sunspec
        if sunspec is None or not sunspec.models:
            return None
        last = sunspec.models[-1]
        return sunspec.base, last.address + 2 + last.length - sunspec.base

    async def smallest_gap(self) -> Check:
        """The silence it needs between two requests."""
        title = "It needs no long rest between requests"
        t3_5 = timing.t3_5_ns(self.bus.line)
        request = pdu.read_registers(self._function, self._base, 2)
        for gap_ms in _GAPS_MS:
            if self.should_stop():
                return self._not_tested("gap", title, "stopped")
            self.observe(Progress(0, 0, None, f"asking with a rest of {gap_ms} ms"))
            gap_ns = max(t3_5, gap_ms * MS)
            lost = 0
            for _ in range(_GAP_TRIES):
                exchange = await self._ask(request, gap_ns)
                lost += exchange.answer is None
            if not lost:
                return Check(
                    "gap",
                    f"address {self.device.address}",
                    title,
                    f"t3.5, {t3_5 / 1e6:.2f} ms",
                    f"{gap_ns / 1e6:.2f} ms, {_GAP_TRIES} of {_GAP_TRIES} answered",
                    CheckOutcome.PASS if gap_ns == t3_5 else CheckOutcome.FAIL,
                )
        return Check(
            "gap",
            f"address {self.device.address}",
            title,
            f"t3.5, {t3_5 / 1e6:.2f} ms",
            f"loses requests even with {_GAPS_MS[-1]} ms",
            CheckOutcome.FAIL,
        )

    async def watch(self, reader: MeterReader, duration_s: float) -> list[Snapshot]:
        """Read once a second."""
        polls: list[Snapshot] = []
        until = self.bus.now() + round(duration_s * 1e9)
        due = self.bus.now()
        while self.bus.now() < until and not self.should_stop():
            left = (until - self.bus.now()) / 1e9
            self.observe(Progress(0, 0, left, "holding the counter against the power"))
            polls.append((await reader.poll()).snapshot)
            due = max(due + 1_000 * MS, self.bus.now())
            if due > self.bus.now():
                await self.bus.listen(due - self.bus.now())
        return polls


def _illegal_read(function: int, register: int, quantity: int) -> bytes:
    """A read that no correct program sends; it only reads."""
    return bytes((function,)) + register.to_bytes(2, "big") + quantity.to_bytes(2, "big")
