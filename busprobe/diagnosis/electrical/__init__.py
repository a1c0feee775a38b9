"""The bus as planned or found, on paper: idle voltage, lengths, stubs, and how fast it may poll."""

from __future__ import annotations

from busprobe.diagnosis.electrical.cycle import DeviceReads, PollCycle, poll_cycle
from busprobe.diagnosis.electrical.network import (
    BiasResistors,
    BusPlan,
    IdleLine,
    TerminatorAt,
    idle_line,
)
from busprobe.diagnosis.electrical.report import Calculation, Check, calculate
from busprobe.diagnosis.electrical.written import WrittenLine, calculate_written

__all__ = [
    "BiasResistors",
    "BusPlan",
    "Calculation",
    "Check",
    "DeviceReads",
    "IdleLine",
    "PollCycle",
    "TerminatorAt",
    "WrittenLine",
    "calculate",
    "calculate_written",
    "idle_line",
    "poll_cycle",
]
