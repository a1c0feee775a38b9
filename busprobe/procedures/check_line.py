"""How healthy is the line? The experiment of `diagnosis.line_health`, asked on the bus."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from busprobe.bus.bus import MS, Bus, Overheard
from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.line_health import (
    LineTest,
    Tally,
    Target,
    Weighed,
    tallies,
)
from busprobe.diagnosis.line_health.disturbance import Exposure
from busprobe.diagnosis.line_health.experiment import FEWEST_ROUNDS, LISTEN_NS, MOST_ROUNDS
from busprobe.link.line_errors import LineErrors
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange, Unframed
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.procedures.other_settings import counters, seek_silent, try_formats
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu

# Lengths of the long read, the longest first; every meter map is tried at its own base, then at 0.
_LONG_READS = (60, 30, 12, 4)
_BASES = (40000, 0)
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


async def check_line(
    bus: Bus,
    devices: Sequence[Device],
    *,
    observe: Observer = ignore,
    on_exchange: Callable[[LineTest], None] = lambda test: None,
    should_stop: Callable[[], bool] = lambda: False,
    overheard: Overheard | None = None,
    vary_settings: bool = True,
    shared: Mapping[int, float] | None = None,
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
        vary_settings: Try other formats where whole answers come with error marks, and other rates
            and formats where an address stays silent. The line's own are set again afterwards.
        shared: Probability that two devices share an address, by address, where a test said so
            before.
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
    test = LineTest(targets, bus.line.character_ns / 1e9, stray_alone(overheard), shared or {})
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
    if vary_settings:
        weighed = await try_formats(bus, weighed, test.targets, observe, should_stop)
        weighed = await seek_silent(bus, weighed, test.targets, observe, should_stop)
    end = counters(bus)
    return LineCheck(
        weighed,
        tallies(exchanges, test.rightly),
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


def _progress(rounds: int, seconds: float, purpose: str) -> Progress:
    """How far the experiment is after so many whole rounds, which took so long [s]."""
    each_s = seconds / rounds if rounds else None
    if rounds < FEWEST_ROUNDS:
        left_s = None if each_s is None else each_s * (FEWEST_ROUNDS - rounds)
        return Progress(rounds, FEWEST_ROUNDS, left_s, purpose)
    # From here on it ends as soon as the answer is sure.
    most_s = None if each_s is None else each_s * (MOST_ROUNDS - rounds)
    return Progress(0, 0, most_s, f"at most, not sure yet; {purpose}")


async def _run(
    bus: Bus,
    test: LineTest,
    exchanges: list[Exchange],
    observe: Observer,
    on_exchange: Callable[[LineTest], None],
    should_stop: Callable[[], bool],
) -> None:
    bus.take_stray_pieces()
    begun_ns = bus.now()
    while not should_stop() and (question := test.next_question()) is not None:
        observe(_progress(test.rounds - 1, (bus.now() - begun_ns) / 1e9, question.purpose))
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
