"""What a session needs from outside: a way to open links, and somebody with hands."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol

from busprobe.link.base import Link
from busprobe.model.line import Endpoint, LineSettings


class Hands(Protocol):
    """Simulated hands that switch the test load of a simulated site."""

    def plug(self, phase: str, power_w: float, on: bool, at_ns: int) -> None:
        """Switch the load at an instant of the link's clock."""
        ...


@dataclass(frozen=True, slots=True)
class OpenedLink:
    """An open link, with simulated hands where the site behind it is simulated."""

    link: Link
    hands: Hands | None = None


OpenLink = Callable[[Endpoint, LineSettings | None], Awaitable[OpenedLink]]
