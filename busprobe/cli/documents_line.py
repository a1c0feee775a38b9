"""The parts of the documents of `listen` and `line`."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from busprobe.cli.documents_base import Part, SettingsPart


class HeardMasterPart(Part):
    """Whether somebody else is polling."""

    seen: bool
    poll_s: float | None
    """Usual time from a request to the same one again [s]."""


class HeardDevicePart(Part):
    """What was overheard about one address."""

    address: int
    requests: int
    answers: int
    """Responses, exceptions included."""
    functions: list[int]
    errors: int
    """Requests whose answer was damaged, did not fit, or was an exception."""
    exceptions: int
    unanswered: int
    poll_s: float | None
    turnaround_ms: float | None


class LineErrorsPart(Part):
    """Errors that the adapter's driver counted."""

    framing: int
    parity: int
    overrun: int
    breaks: int


class ListenResult(Part):
    """Result of `listen`."""

    settings: SettingsPart | None
    """Settings of the conversation, null where none was found."""
    alternatives: list[SettingsPart]
    """Settings that fit as well (the adapter tells no parity errors)."""
    heard: Literal[
        "quiet",
        "conversation",
        "other-settings",
        "swapped-pair",
        "floating-idle",
        "noise",
        "jabber",
        "undecided",
    ]
    probability: float = Field(ge=0.0, le=1.0)
    """Of what was heard."""
    master: HeardMasterPart
    devices: list[HeardDevicePart]
    frames: int
    junk_bytes: int
    line_errors: LineErrorsPart | None
    """Null where the adapter counts none: then errors are unknown, not absent."""
    character_marks: bool
    """Whether the adapter marked characters with errors; else such errors are unknown."""


class LineTurnAroundPart(Part):
    """End of request to start of answer [ms]."""

    median: float | None
    p95: float | None
    max: float | None


class LineAddressPart(Part):
    """What came of the requests to one address."""

    address: int
    exchanges: int
    answered: int
    """Whole answers and nothing beside them, exceptions included."""
    damaged: int
    silent: int
    late: int
    crowded: int
    """Whole answers with bytes beside them."""
    misaddressed: int
    error_rate: float
    """Share of exchanges that were not answered, 0..1."""
    error_rate_low: float
    """Lower end of its exact 95 % interval."""
    error_rate_high: float
    turnaround_ms: LineTurnAroundPart


class CausePart(Part):
    """Something that may be wrong; several can hold at once."""

    code: str
    address: int | None
    probability: float = Field(ge=0.0, le=1.0)


class IdlePart(Part):
    """A line on paper."""

    idle_mv: float
    """Smallest A minus B while nobody drives [mV]."""
    held: bool
    """Whether that is the 200 mV that every receiver reads as idle."""
    bias_ma: float
    load_ohm: float
    driven_v: float
    """Smallest A minus B while the weakest legal driver sends a 1 [V]."""
    unit_loads: float


class RulePart(Part):
    """A rule held against the plan."""

    name: str
    good: bool
    text: str


class PollCyclePart(Part):
    """How long a poll takes."""

    cycle_s: float
    bytes_s: float
    worst_s: float
    """One device stays silent once, for a whole time-out."""
    shortest_interval_s: float


class CalculationPart(Part):
    """Result of `line --calculate`."""

    idle: IdlePart
    one_more_terminator: IdlePart
    one_more_bias: IdlePart
    checks: list[RulePart]
    poll: PollCyclePart | None


class LineResult(Part):
    """Result of `line`."""

    addresses: list[LineAddressPart]
    causes: list[CausePart]
    healthy: float | None = Field(ge=0.0, le=1.0)
    """Probability that nothing is wrong, null where the line was only calculated."""
    line_errors: LineErrorsPart | None
    """Null where the adapter counts none: then errors are unknown, not absent."""
    character_marks: bool
    """Whether the adapter marked characters with errors; else such errors are unknown."""
    calculation: CalculationPart | None
