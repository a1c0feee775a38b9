"""Does more than one device answer at an address? Asks until the test is sure, or gives up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from busprobe.bus.assemble import ByteTimes, pieces_of
from busprobe.bus.bus import Bus
from busprobe.diagnosis.duplicate import Background, DuplicateTest, DuplicateVerdict
from busprobe.link.base import kind_of
from busprobe.model.chunk import Chunk
from busprobe.model.device import Device
from busprobe.model.errors import LinkError
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.line import LineSettings, LinkKind
from busprobe.procedures.late_rest import with_late_rest
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire.timing import t3_5_ns

# Where a SunSpec map is looked for when nobody could tell: 40000, the most common base.
_LIKELY_BASE = 40000
# With fewer answers an address says little about the line.
_ENOUGH_ANSWERS = 3
# As long as an answer with as many registers as may be asked for takes at 9600 Bd [ns].
_HEARD_OUT_NS = 280_000_000
# Links whose rate is changed at once between a request and its answer.
_WITH_OTHER_RATES = (LinkKind.SERIAL, LinkKind.SIMULATED)
# SunSpec models of meters: 201 to 204 with integers, 211 to 214 with floats.
_METER_MODELS = range(201, 215)


def background_of(exchanges: Sequence[Exchange], address: int, line: LineSettings) -> Background:
    """How the answers of the soundest other address fared, as far as asked at these settings.

    A bad line is bad for everybody; an address with a trouble of its own says nothing about the
    line.
    """
    by_address: dict[int, list[Exchange]] = {}
    for exchange in exchanges:
        if exchange.request.address != address and _sent_at(exchange, line):
            by_address.setdefault(exchange.request.address, []).append(exchange)
    found = [_fared(its) for its in by_address.values() if any(e.answer for e in its)]
    known = [b for b in found if b.answers >= _ENOUGH_ANSWERS]
    return min(known, key=lambda b: (b.damaged / b.answers, -b.answers), default=Background())


def _fared(exchanges: Sequence[Exchange]) -> Background:
    damaged = sum(e.outcome is Outcome.DAMAGED for e in exchanges)
    return Background(damaged + sum(e.answer is not None for e in exchanges), damaged)


def _sent_at(exchange: Exchange, line: LineSettings) -> bool:
    """Whether a request took as long as it does at these settings."""
    request = exchange.request
    took = request.t_end_ns - request.t_start_ns
    return abs(took - line.duration_ns(len(request.raw))) <= line.character_ns // 4


def _off(line: LineSettings, offset: float) -> LineSettings:
    """Settings with a rate that is a little off."""
    return replace(line, baud=round(line.baud * (1 + offset)))


async def hear_out(bus: Bus, gap_ns: int) -> tuple[Chunk, ...]:
    """Let a gap pass, so that what comes in it belongs to the request before.

    What has begun by its end is heard to its own, if that comes soon: it may be a second answer. On
    a line without bias silence may never come.
    """
    silence_ns = t3_5_ns(bus.line) + bus.link.arrival_uncertainty_ns
    start = bus.now()
    chunks: list[Chunk] = []
    wait_ns = gap_ns
    while wait_ns > 0:
        chunks += (await bus.listen(wait_ns)).chunks
        until = min(chunks[-1].t_ns + silence_ns, start + gap_ns + _HEARD_OUT_NS) if chunks else 0
        wait_ns = until - bus.now()
    return tuple(chunks)


def with_silence(
    exchange: Exchange, chunks: Sequence[Chunk], line: LineSettings
) -> tuple[Exchange, tuple[Frame | Unframed, ...]]:
    """An exchange with the late rest of its answer, and what else was heard in the silence."""
    exchange, left = with_late_rest(exchange, chunks, line)
    return exchange, pieces_of(ByteTimes.of(left, line), None) if left else ()


async def check_duplicate(
    bus: Bus,
    address: int,
    *,
    identity: Device | None = None,
    background: Background | None = None,
    observe: Observer = ignore,
    should_stop: Callable[[], bool] = lambda: False,
) -> DuplicateVerdict:
    """Run the sequential test at one address.

    Args:
        bus: The bus.
        address: The address.
        identity: What is known of the device there: where its serial number can be read.
        background: What other addresses of the line show.
        observe: Told before each request.
        should_stop: Asked before each request; the verdict is then what was seen until there.
    """
    base: int | None = _LIKELY_BASE
    function = 3
    readings: int | None = None
    if identity is not None:
        if identity.sunspec is not None:
            base = identity.sunspec.base
            meters = (m for m in identity.sunspec.models if m.model_id in _METER_MODELS)
            readings = next((m.address for m in meters), None)
        elif identity.identity.source != "none" or identity.profile is not None:
            base = None
        if identity.functions and function not in identity.functions:
            function = identity.functions[0]
    test = DuplicateTest(
        address,
        base,
        function,
        background or Background(),
        readings,
        bus.line.parity,
        bus.settings is not None and kind_of(bus.link) in _WITH_OTHER_RATES,
    )
    done = 0
    bus.take_stray_pieces()
    while not should_stop() and (probe := test.next_request()) is not None:
        two = test.probability_two
        observe(Progress(done, 0, None, f"{probe.purpose}; two devices: {100 * two:.1f} %"))
        try:
            exchange = await bus.exchange(
                address,
                probe.pdu,
                listen_ns=probe.listen_ns,
                linger_ns=probe.linger_ns,
                sent_at=_off(bus.line, probe.offset) if probe.offset else None,
                pause_after=probe.pause_after,
            )
        except LinkError:
            if not probe.offset:
                raise
            # An adapter that does not know this rate; a lost one fails again at once.
            test.give_up_margins()
            continue
        before = bus.take_stray_pieces()
        heard = await hear_out(bus, probe.gap_ns)
        exchange, stray = with_silence(exchange, heard, bus.line)
        test.take(exchange, (*before, *stray))
        done += 1
    return test.verdict
