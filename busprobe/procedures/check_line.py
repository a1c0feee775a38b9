"""How healthy is the line? The experiment of `diagnosis.line_health`, asked on the bus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from busprobe.bus.bus import MS, Bus, Overheard
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.line_health import (
    LineTest,
    Sign,
    Tally,
    Target,
    Weighed,
    sample,
    tallies,
)
from busprobe.diagnosis.line_health.disturbance import Exposure
from busprobe.diagnosis.line_health.experiment import FEWEST_ROUNDS, LISTEN_NS
from busprobe.diagnosis.line_health.signs import PULSES, Condition
from busprobe.link.line_errors import LineErrors
from busprobe.model.chunk import Mark
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange, Unframed
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu

# Lengths of the long read, the longest first; every meter map is tried at its own base, then at 0.
_LONG_READS = (60, 30, 12, 4)
_BASES = (40000, 0)
# A format is tried with so many requests.
_FORMAT_TRIES = 4
_LISTEN_FIRST_NS = 2_000 * MS


@dataclass(frozen=True, slots=True)
class LineCheck:
    """What the experiment found.

    Attributes:
        weighed: Causes with their probabilities.
        tallies: Counts by address.
        duplicates: Verdicts of the duplicate test, where it was called for.
        errors: Errors that the driver counted during the experiment; None where it counts none.
        marks: Whether the link told of errors at each character.
        test: The experiment with all its samples.
        stopped: Whether it was stopped before its end.
    """

    weighed: Weighed
    tallies: dict[int, Tally]
    duplicates: dict[int, DuplicateVerdict]
    errors: LineErrors | None
    marks: bool
    test: LineTest
    stopped: bool


def counters(bus: Bus) -> LineErrors | None:
    """Error counters of the link, None where it has none."""
    return bus.line_errors()


async def check_line(
    bus: Bus,
    devices: Sequence[Device],
    *,
    observe: Observer = ignore,
    on_exchange: Callable[[LineTest], None] = lambda test: None,
    should_stop: Callable[[], bool] = lambda: False,
    overheard: Overheard | None = None,
    vary_format: bool = True,
) -> LineCheck:
    """Ask devices under varied conditions until every cause is sure or ruled out.

    Args:
        bus: A serial bus on which nobody else talks.
        devices: Whom to ask; what is known of their maps says where they can be read.
        observe: Told before each request.
        on_exchange: Told after each exchange.
        should_stop: Asked between requests.
        overheard: What was heard before, while nothing was sent; else the line is listened to for a
            moment first.
        vary_format: Try other formats where whole answers come with error marks.
    """
    begin = counters(bus)
    exchanges: list[Exchange] = []
    targets = []
    for device in devices:
        if should_stop():
            break
        observe(Progress(0, 0, None, f"address {device.address}: how long a read it answers"))
        targets.append(await _target(bus, device, exchanges))
    if overheard is None:
        observe(Progress(0, 0, _LISTEN_FIRST_NS / 1e9, "listening, nothing is sent yet"))
        overheard = await bus.listen(_LISTEN_FIRST_NS)
    test = LineTest(targets, bus.line.character_ns / 1e9, stray_alone(overheard))
    await _run(bus, test, exchanges, observe, on_exchange, should_stop)
    duplicates: dict[int, DuplicateVerdict] = {}
    by_address = {d.address: d for d in devices}
    for address in test.weighed.suspects:
        if should_stop():
            break
        verdict = await check_duplicate(
            bus, address, identity=by_address.get(address), observe=observe
        )
        duplicates[address] = verdict
        test.take_duplicate(address, verdict.verdict, verdict.probability)
    weighed = test.weighed
    if vary_format and not should_stop():
        weighed = await _vary_format(bus, test, observe)
    end = counters(bus)
    return LineCheck(
        weighed,
        tallies(exchanges),
        duplicates,
        end - begin if end is not None and begin is not None else None,
        any(c.marks is not None for e in exchanges for c in e.chunks if c.direction == "received"),
        test,
        should_stop(),
    )


def stray_alone(overheard: Overheard) -> Exposure:
    """Stray bytes of a time in which nothing was sent."""
    runs = [p.data for p in overheard.pieces if isinstance(p, Unframed)]
    return Exposure(
        0, 0.0, len(runs), overheard.duration_ns / 1e9, sum(set(r) <= PULSES for r in runs)
    )


async def _target(bus: Bus, device: Device, exchanges: list[Exchange]) -> Target:
    """Find a long read that a device answers without an exception."""
    functions = device.functions or (3, 4)
    bases = _BASES if device.sunspec is None else (device.sunspec.base, *_BASES)
    refused: Target | None = None
    heard = 0
    for function in functions[:2]:
        for base in dict.fromkeys(bases):
            for count in _LONG_READS:
                request = pdu.read_registers(function, base, count)
                exchange = await bus.exchange(device.address, request, listen_ns=LISTEN_NS)
                if exchange.answer is None:
                    exchange = await bus.exchange(
                        device.address, request, listen_ns=LISTEN_NS, gap_ns=100 * MS
                    )
                heard += bool(exchange.heard)
                answer = exchange.answer
                if answer is None:
                    # Silence, or damage: neither says that the read is refused.
                    if heard and exchange.pieces:
                        return Target(device.address, function, base, count)
                    break
                if answer.exception is None:
                    return Target(device.address, function, base, count)
                refused = refused or Target(device.address, function, base, 1)
    return refused or Target(device.address, functions[0], 0, _LONG_READS[-1])


async def _run(
    bus: Bus,
    test: LineTest,
    exchanges: list[Exchange],
    observe: Observer,
    on_exchange: Callable[[LineTest], None],
    should_stop: Callable[[], bool],
) -> None:
    bus.take_stray_pieces()
    while not should_stop() and (question := test.next_question()) is not None:
        done = min(test.rounds, FEWEST_ROUNDS)
        observe(Progress(done, FEWEST_ROUNDS, None, question.purpose))
        before = counters(bus)
        exchange = await bus.exchange(
            question.address,
            question.pdu,
            listen_ns=question.listen_ns,
            gap_ns=question.gap_ns or None,
        )
        after = counters(bus)
        errors = None
        if before is not None and after is not None:
            counted = after - before
            # Counters that never count prove nothing: only what they did count is taken.
            errors = counted.framing + counted.parity + counted.breaks or None
        exchanges.append(exchange)
        test.take(exchange, bus.take_stray_pieces(), errors)
        on_exchange(test)


async def _vary_format(bus: Bus, test: LineTest, observe: Observer) -> Weighed:
    """Where whole answers come with error marks, look for the format without any."""
    weighed = test.weighed
    home = bus.settings
    marked = [c for c in weighed.causes if c.code == "wrong-parity" and c.address is not None]
    if home is None or not marked:
        return weighed
    targets = {t.address: t for t in test.targets}
    better: dict[int | None, LineSettings] = {}
    for cause in marked:
        assert cause.address is not None
        found = await _best_format(bus, targets[cause.address], home, observe)
        if found is not None:
            better[cause.address] = found
    await bus.configure(home)
    return replace(
        weighed,
        causes=tuple(
            replace(
                c,
                facts={
                    **c.facts,
                    "settings": home,
                    "better": f"; at {better[c.address]} it reports none"
                    if c.address in better
                    else "",
                },
            )
            if c.code == "wrong-parity"
            else c
            for c in weighed.causes
        ),
    )


async def _best_format(
    bus: Bus, target: Target, home: LineSettings, observe: Observer
) -> LineSettings | None:
    request = pdu.read_registers(target.function, target.register, target.longest)
    for parity in (Parity.EVEN, Parity.ODD, Parity.NONE):
        if parity is home.parity:
            continue
        candidate = LineSettings(home.baud, parity, 1)
        observe(Progress(0, 0, None, f"address {target.address} at {candidate}"))
        await bus.configure(candidate)
        clean = 0
        for _ in range(_FORMAT_TRIES):
            before = counters(bus)
            exchange = await bus.exchange(target.address, request, listen_ns=LISTEN_NS)
            after = counters(bus)
            counted = after - before if after is not None and before is not None else None
            taken, _ = sample(exchange, Condition(target.longest, 0, False))
            marked = any(
                m is not Mark.GOOD for c in exchange.chunks for m in c.marks or ()
            ) or bool(counted and counted.framing + counted.parity + counted.breaks)
            clean += taken.sign is Sign.CLEAN and not marked
        if clean == _FORMAT_TRIES:
            return candidate
    return None
