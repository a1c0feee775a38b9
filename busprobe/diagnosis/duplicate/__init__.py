"""One device at an address, or more? A sequential likelihood test over whole exchanges."""

from __future__ import annotations

from busprobe.diagnosis.duplicate.hypotheses import Background
from busprobe.diagnosis.duplicate.sequential import DuplicateTest
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.words import another_meter_finding, duplicate_finding

__all__ = [
    "Background",
    "DuplicateTest",
    "DuplicateVerdict",
    "Probe",
    "another_meter_finding",
    "duplicate_finding",
]
