"""What others say on the line: who polls whom, how often, and what comes of it."""

from __future__ import annotations

from busprobe.diagnosis.listening.conversation import (
    Conversation,
    HeardDevice,
    TimedPiece,
    conversation_of,
)
from busprobe.diagnosis.listening.findings import listening_findings
from busprobe.diagnosis.listening.judge import Heard, LineState, judge

__all__ = [
    "Conversation",
    "Heard",
    "HeardDevice",
    "LineState",
    "TimedPiece",
    "conversation_of",
    "judge",
    "listening_findings",
]
