"""The technician's hands, as a procedure sees them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class HandRequest:
    """What the technician is asked to do.

    Attributes:
        words: The request in words.
        phase: The phase the load belongs on, or "".
        power_w: The load [W].
        on: Switch on, else off.
        source: Address of the meter whose source is to be held back or set free; None for a load.
        share: Share of its power that the source keeps.
    """

    words: str
    phase: str
    power_w: float
    on: bool
    source: int | None = None
    share: float = 1.0


class Operator(Protocol):
    """Somebody with hands: a technician, or a simulated one."""

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Ask for something to be done; returns at once."""
        ...

    def answer(self) -> bool | None:
        """What became of the last request: True done, False refused, None not yet."""
        ...
