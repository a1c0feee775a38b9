"""What a session needs from outside: a way to open links, and somebody with hands."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol

from busprobe.link.base import Link
from busprobe.model.line import Endpoint, LineSettings
from busprobe.procedures.operator import Deed, HandRequest
from busprobe.recording.past import Past


class Hands(Protocol):
    """Simulated hands on a simulated site: loads, sources, bus wires and power of devices."""

    def plug(self, phase: str, power_w: float, on: bool, at_ns: int) -> None:
        """Switch the load at an instant of the link's clock."""
        ...

    def curtail(self, address: int, share: float, at_ns: int) -> bool:
        """Limit the source whose meter has this address; False where it measures no source."""
        ...

    def disconnect(self, address: int, at_ns: int) -> bool:
        """Take the bus wires off one of the devices at an address; False where there is none."""
        ...

    def reconnect(self, at_ns: int) -> bool:
        """Put the bus wires back on that were taken off last; False where none were."""
        ...

    def power_cycle(self, address: int, at_ns: int) -> bool:
        """Switch a device off and on; False where none has this address."""
        ...

    def anything_loose(self) -> bool:
        """Whether bus wires were taken off and not put back on."""
        ...

    def carry(self, feeder: str) -> None:
        """Carry the test load to a socket of another feeder; "" back to the usual one."""
        ...

    def unplug_master(self, at_ns: int, *, plugged: bool = False) -> None:
        """Take another master off the line, or plug it in again."""
        ...


def do_by_hands(hands: Hands, request: HandRequest, at_ns: int) -> bool:
    """Let simulated hands do what is asked.

    Args:
        hands: The hands.
        request: What is asked.
        at_ns: When, on the clock of the link [ns].

    Returns:
        Whether it could be done.
    """
    address = -1 if request.address is None else request.address
    match request.what:
        case Deed.SOURCE:
            return request.source is not None and hands.curtail(
                request.source, request.share, at_ns
            )
        case Deed.DISCONNECT:
            return hands.disconnect(address, at_ns)
        case Deed.RECONNECT:
            return hands.reconnect(at_ns)
        case Deed.POWER_CYCLE:
            return hands.power_cycle(address, at_ns)
        case Deed.LOOK:
            return hands.anything_loose()
        case Deed.LOAD:
            hands.plug(request.phase, request.power_w, request.on, at_ns)
            return True


@dataclass(frozen=True, slots=True)
class OpenedLink:
    """An open link.

    Attributes:
        link: The link.
        hands: Simulated hands, where the site behind it is simulated.
        set_speed: Lets a simulated line run faster than the wall clock: line seconds per second.
        past: What people did and what the clock showed, where it is a recording.
    """

    link: Link
    hands: Hands | None = None
    set_speed: Callable[[float], None] | None = None
    past: Past | None = None


OpenLink = Callable[[Endpoint, LineSettings | None], Awaitable[OpenedLink]]
