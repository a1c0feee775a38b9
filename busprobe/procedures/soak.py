"""Minutes to days of polling: how often does what fail, and how long do answers take?

Counts and percentiles stay small however long it runs; only the most recent exchanges are kept for
weighing causes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis.line_health import Condition, Sample, Sign, Tally, Target, sample
from busprobe.diagnosis.line_health.experiment import Patience
from busprobe.diagnosis.line_health.late_rest import join_rest, put_right
from busprobe.link.line_errors import LineErrors
from busprobe.model.exchange import Outcome
from busprobe.procedures.other_settings import counters
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu

# Between the end of an answer and the next request, as polling masters leave it (common practice).
_GAP_NS = 10 * MS
_KEPT = 3000
_TELL_EVERY_NS = 1_000 * MS
# Short reads among the long ones show whether errors grow with length.
_SHORT_EVERY = 4


@dataclass
class Soak:
    """What a soak has counted so far.

    Attributes:
        tallies: By address.
        recent: The most recent exchanges, read for weighing causes.
        seconds: How long it ran [s].
        errors: Errors that the driver counted, None where it counts none.
    """

    tallies: dict[int, Tally]
    recent: deque[Sample] = field(default_factory=lambda: deque(maxlen=_KEPT))
    seconds: float = 0.0
    errors: LineErrors | None = None


async def soak(
    bus: Bus,
    targets: Sequence[Target],
    seconds: float,
    *,
    observe: Observer = ignore,
    on_counts: Callable[[Soak], None] = lambda counts: None,
    should_stop: Callable[[], bool] = lambda: False,
    patience: Patience | None = None,
) -> Soak:
    """Ask every target in turn until the time is up.

    Args:
        bus: A serial bus on which nobody else talks.
        targets: Whom to ask, and what each answers.
        seconds: How long [s].
        observe: Told once a second.
        on_counts: Told once a second.
        should_stop: Asked between requests.
        patience: What an experiment before has learnt of slow devices.
    """
    state = Soak({t.address: Tally(t.address) for t in targets})
    begin = counters(bus)
    start = bus.now()
    until = start + round(seconds * 1e9)
    told = start
    held: dict[int, int | None] = {}
    patience = patience or Patience()
    turn = 0
    last: int | None = None
    ended_ns = 0
    counted_as = Outcome.SILENT
    bus.take_stray_pieces()
    while targets and bus.now() < until and not should_stop():
        target = targets[turn % len(targets)]
        short = (turn // len(targets)) % _SHORT_EVERY == _SHORT_EVERY - 1
        turn += 1
        registers = 1 if short else target.longest
        request = pdu.read_registers(target.function, target.register, registers)
        exchange = await bus.exchange(
            target.address,
            request,
            listen_ns=patience.listen_ns(target.address),
            gap_ns=_GAP_NS,
        )
        state.tallies[target.address].take(exchange)
        condition = Condition(registers, _GAP_NS, last not in (None, target.address))
        taken, missing = sample(
            exchange, condition, bus.take_stray_pieces(), held=held.get(target.address)
        )
        if taken.sign is not Sign.SILENT:
            held[target.address] = missing
        if state.recent:
            pause_ns = exchange.request.t_start_ns - ended_ns
            before = state.recent[-1]
            joined, taken = join_rest(before, taken, pause_ns)
            state.recent[-1] = joined
            put = put_right((before, joined), (taken, exchange.outcome))
            for each, counted in ((before, counted_as), (taken, exchange.outcome)):
                if each.number in put:
                    state.tallies[each.address].put_right(counted, put[each.number])
        ended_ns = max(exchange.request.t_end_ns, *(c.t_ns for c in exchange.chunks))
        state.recent.append(taken)
        counted_as = exchange.outcome
        patience.take(taken)
        last = target.address
        now = bus.now()
        if now - told >= _TELL_EVERY_NS:
            told = now
            state.seconds = (now - start) / 1e9
            left = max(0.0, (until - now) / 1e9)
            failed = sum(t.failed for t in state.tallies.values())
            observe(
                Progress(
                    round(state.seconds),
                    round(seconds),
                    left,
                    f"{turn} exchanges, {failed} not clean",
                )
            )
            on_counts(state)
    end = counters(bus)
    state.seconds = (bus.now() - start) / 1e9
    state.errors = end - begin if end is not None and begin is not None else None
    return state
