"""What a session needs from outside: a way to open links, and somebody with hands."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol

from busprobe.link.base import Link
from busprobe.model.line import Endpoint, LineSettings


class Hands(Protocol):
    """Simulated hands that switch the test load, and hold sources back, on a simulated site."""

    def plug(self, phase: str, power_w: float, on: bool, at_ns: int) -> None:
        """Switch the load at an instant of the link's clock."""
        ...

    def curtail(self, address: int, share: float, at_ns: int) -> bool:
        """Limit the source whose meter has this address; False where it measures no source."""
        ...


@dataclass(frozen=True, slots=True)
class OpenedLink:
    """An open link, with simulated hands where the site behind it is simulated."""

    link: Link
    hands: Hands | None = None


OpenLink = Callable[[Endpoint, LineSettings | None], Awaitable[OpenedLink]]
