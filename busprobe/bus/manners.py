"""May we talk now? Listening before the first request."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busprobe.bus.bus import MS, Bus, Overheard
from busprobe.model.line import LineSettings
from busprobe.wire import pairing, rtu

# Masters poll every 0.2-10 s (seen in public threads of users): shorter listening proves nothing.
LISTEN_FIRST_NS = 3_000 * MS


@dataclass(frozen=True, slots=True)
class Manners:
    """What was heard before the first request.

    Attributes:
        overheard: Everything heard.
        master: Whether whole frames of somebody else's conversation were heard.
        addresses: Addresses named in those frames.
        settings: Settings at which they were heard, where those are not the ones in force.
        endless: Somebody sends without a pause.
    """

    overheard: Overheard
    master: bool
    addresses: tuple[int, ...]
    settings: LineSettings | None = None
    endless: bool = False

    @property
    def quiet(self) -> bool:
        """Whether no byte was heard at all."""
        return not self.overheard.chunks


async def listen_before_talking(
    bus: Bus,
    duration_ns: int = LISTEN_FIRST_NS,
    should_stop: Callable[[], bool] = lambda: False,
) -> Manners:
    """Listen for a foreign master; on Modbus TCP there is nothing to overhear.

    A pair of request and matching response proves a master; a run of valid frames makes one likely
    enough that nobody should talk into it.

    Args:
        bus: The bus.
        duration_ns: How long [ns].
        should_stop: Asked several times a second; what was heard until then is told.
    """
    if not bus.is_serial:
        return Manners(Overheard((), (), 0), False, ())
    overheard = await bus.listen(duration_ns, should_stop)
    pieces = rtu.split(overheard.data)
    frames = [piece for piece in pieces if piece.framed]
    paired = any(t.request is not None and t.response is not None for t in pairing.pair(pieces))
    addresses = tuple(sorted({frame.address for frame in frames}))
    return Manners(overheard, paired or len(frames) >= 2, addresses)
