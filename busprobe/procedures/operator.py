"""The technician's hands, as a procedure sees them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


class Deed(StrEnum):
    """What hands can do."""

    LOAD = "load"
    """Switch the test load."""
    SOURCE = "source"
    """Hold a source back, or set it free."""
    DISCONNECT = "disconnect"
    """Take the bus wires off one of the devices at an address."""
    RECONNECT = "reconnect"
    """Put the bus wires back on."""
    POWER_CYCLE = "power-cycle"
    """Switch a device off and on."""
    LOOK = "look"
    """Nothing: whether wires are off already is a question to somebody on site."""


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
        deed: What is to be done; without it a load is switched, or a source held back.
        address: The device whose wires or whose power it is about, None for a load or a source.
    """

    words: str
    phase: str = ""
    power_w: float = 0.0
    on: bool = False
    source: int | None = None
    share: float = 1.0
    deed: Deed | None = None
    address: int | None = None

    @property
    def what(self) -> Deed:
        """What is to be done."""
        if self.deed is not None:
            return self.deed
        return Deed.LOAD if self.source is None else Deed.SOURCE


class Operator(Protocol):
    """Somebody with hands: a technician, or a simulated one."""

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Ask for something to be done; returns at once."""
        ...

    def answer(self) -> bool | None:
        """What became of the last request: True done, False refused, None not yet."""
        ...
