"""Does more than one device answer at an address? Asks until the test is sure, or gives up."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.bus.bus import Bus
from busprobe.diagnosis.duplicate import Background, DuplicateTest, DuplicateVerdict
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.line import LineSettings
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu

# Where a SunSpec map is looked for when nobody could tell: 40000, the most common base.
_LIKELY_BASE = 40000
# With fewer characters an address says little about the line.
_ENOUGH_CHARACTERS = 40


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
    known = [b for b in found if b.characters >= _ENOUGH_CHARACTERS]
    return min(known, key=lambda b: b.damaged / b.characters, default=Background())


def _fared(exchanges: Sequence[Exchange]) -> Background:
    characters = damaged = 0
    for exchange in exchanges:
        if exchange.answer is not None:
            characters += len(exchange.answer.raw)
        elif exchange.outcome is Outcome.DAMAGED:
            expected = pdu.response_length(exchange.request.pdu)
            characters += 3 + (expected or 2)
            damaged += 1
    return Background(characters, damaged)


def _sent_at(exchange: Exchange, line: LineSettings) -> bool:
    """Whether a request took as long as it does at these settings."""
    request = exchange.request
    took = request.t_end_ns - request.t_start_ns
    return abs(took - line.duration_ns(len(request.raw))) <= line.character_ns // 4


async def check_duplicate(
    bus: Bus,
    address: int,
    *,
    identity: Device | None = None,
    background: Background | None = None,
    observe: Observer = ignore,
) -> DuplicateVerdict:
    """Run the sequential test at one address.

    Args:
        bus: The bus.
        address: The address.
        identity: What is known of the device there: where its serial number can be read.
        background: What other addresses of the line show.
        observe: Told before each request.
    """
    base: int | None = _LIKELY_BASE
    function = 3
    if identity is not None:
        if identity.sunspec is not None:
            base = identity.sunspec.base
        elif identity.identity.source != "none" or identity.profile is not None:
            base = None
        if identity.functions and function not in identity.functions:
            function = identity.functions[0]
    test = DuplicateTest(address, base, function, background or Background())
    done = 0
    bus.take_stray_pieces()
    while (probe := test.next_request()) is not None:
        two = test.probability_two
        observe(Progress(done, 0, None, f"{probe.purpose}; two devices: {100 * two:.1f} %"))
        exchange = await bus.exchange(
            address,
            probe.pdu,
            listen_ns=probe.listen_ns,
            linger_ns=probe.linger_ns,
            gap_ns=probe.gap_ns,
        )
        # Let the gap pass now, so that what comes in it belongs to this request.
        await bus.settle(probe.gap_ns)
        test.take(exchange, bus.take_stray_pieces())
        done += 1
    return test.verdict
