"""Which conductor each CT is on, and which way round: inference from what the meter reports."""

from __future__ import annotations

from busprobe.diagnosis.wiring.diagnose import diagnose_wiring
from busprobe.diagnosis.wiring.findings import wiring_findings
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
from busprobe.diagnosis.wiring.watch import Advice, WiringWatch

__all__ = [
    "Advice",
    "CtWiring",
    "Explanation",
    "KnownLoad",
    "LoadStep",
    "MeterSystem",
    "VoltageWiring",
    "WiringDiagnosis",
    "WiringVerdict",
    "WiringWatch",
    "diagnose_wiring",
    "wiring_findings",
]
