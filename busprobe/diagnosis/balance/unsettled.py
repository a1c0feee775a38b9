"""What is still open when the energy balance has been weighed."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.diagnosis.balance.evidence import Evidence
from busprobe.diagnosis.balance.types import CurtailMark, MeterBalance


@dataclass(frozen=True, slots=True)
class Open:
    """What the words about open questions need to know.

    Attributes:
        evidence: All readings.
        meters: The meters so far.
        grid_held: Something unmeasured holds the grid at zero.
        in_loop: Numbers of the sources that hold it there themselves.
        unmetered: Probability of a source that nobody measures.
        marks: What was commanded.
    """

    evidence: Evidence
    meters: tuple[MeterBalance, ...]
    grid_held: bool
    in_loop: frozenset[int]
    unmetered: float
    marks: tuple[CurtailMark, ...]
