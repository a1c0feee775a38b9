"""Readings over time, as the wiring and balance diagnoses take them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class SwitchMark:
    """The operator announced a switching; the real one follows within 3 s.

    Attributes:
        t_s: When it was announced [s].
        on: Switched on (else off).
        phase: "L1", "L2", "L3", "L1L2L3" or "unknown".
    """

    t_s: float
    on: bool
    phase: str


@dataclass(frozen=True, slots=True)
class Series:
    """Rows of readings, one per poll.

    Attributes:
        t_s: Time of each row [s], not decreasing.
        columns: Values by quantity name (`busprobe.model.reading`; V, A, W, var), as the meter
            signs them, one per row; None where a value is missing.
        marks: What the operator announced.
        steps: The register step of a quantity where it is known, by quantity name.
    """

    t_s: tuple[float, ...]
    columns: Mapping[str, tuple[float | None, ...]]
    marks: tuple[SwitchMark, ...] = ()
    steps: Mapping[str, float] = field(default_factory=dict)
