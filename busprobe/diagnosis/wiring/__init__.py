"""Which conductor each CT is on, and which way round: inference from what the meter reports."""

from __future__ import annotations

from busprobe.diagnosis.wiring.types import (
    CtWiring,
    Explanation,
    KnownLoad,
    LoadStep,
    MeterSystem,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
)

__all__ = [
    "CtWiring",
    "Explanation",
    "KnownLoad",
    "LoadStep",
    "MeterSystem",
    "VoltageWiring",
    "WiringDiagnosis",
    "WiringVerdict",
]
