"""What is wrong with a line, from how exchanges fail under varied conditions."""

from __future__ import annotations

from busprobe.diagnosis.line_health.causes import Weighed, weigh
from busprobe.diagnosis.line_health.experiment import LineTest, Target
from busprobe.diagnosis.line_health.signs import Condition, Sample, Sign, sample
from busprobe.diagnosis.line_health.tally import Tally, tallies
from busprobe.diagnosis.line_health.types import Cause, LineQuestion
from busprobe.diagnosis.line_health.words import healthy, line_findings

__all__ = [
    "Cause",
    "Condition",
    "LineQuestion",
    "LineTest",
    "Sample",
    "Sign",
    "Tally",
    "Target",
    "Weighed",
    "healthy",
    "line_findings",
    "sample",
    "tallies",
    "weigh",
]
