"""Is anybody there at any of these rates? All rates in one go, then one listening time.

For one address a request goes out at each rate, slow to fast, each after the silence t3.5 of the
rate before and one character more (a device hears the end of a foreign rate as a character of its
own, which takes from the silence it waits for); only then is listened. Any byte means that somebody
answered, and each rate is then asked by itself. Slow to fast, because a later request (8 characters
at twice the rate, 4 of the slower ones) is shorter than any answer: no answer can hide inside it.

A device that gives up its answer when it hears anything else cannot be found in this way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busprobe.bus.bus import Bus
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import timing

_REQUEST_CHARACTERS = 8


@dataclass(frozen=True, slots=True)
class Chain:
    """Settings that are asked in one go: one format, rates ascending."""

    settings: tuple[LineSettings, ...]

    def bound_s(self, listen_ns: int) -> float:
        """Physical bound for one address without an answer [s]."""
        total = sum(s.duration_ns(_REQUEST_CHARACTERS) + timing.t3_5_ns(s) for s in self.settings)
        return (total + listen_ns) / 1e9


def chains_of(settings: Iterable[LineSettings]) -> tuple[Chain, ...]:
    """Settings by format, each format a chain."""
    by_format: dict[tuple[Parity, int], list[LineSettings]] = {}
    for each in settings:
        by_format.setdefault((each.parity, each.stop_bits), []).append(each)
    return tuple(Chain(tuple(sorted(group, key=lambda s: s.baud))) for group in by_format.values())


async def anybody_at(
    bus: Bus, address: int, request: bytes, settings: Sequence[LineSettings], listen_ns: int
) -> bool:
    """Ask one address at several rates in one go.

    Args:
        bus: A serial bus.
        address: Whom to ask.
        request: A read request.
        settings: One format, rates ascending.
        listen_ns: Listening time after the last request [ns].

    Returns:
        Whether a byte was heard; the bus is left at the last settings.
    """
    bus.take_stray()
    heard = False
    gap_ns = 0
    for each in settings:
        await bus.configure(each)
        exchange = await bus.exchange(
            address, request, listen_ns=0, gap_ns=gap_ns + each.character_ns
        )
        heard = heard or bool(exchange.pieces)
        gap_ns = timing.t3_5_ns(each)
    over = await bus.listen(listen_ns + bus.link.arrival_uncertainty_ns)
    return heard or bool(over.chunks) or bool(bus.take_stray())
