"""Questions and verdicts of the experiment on a line."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.model.finding import Evidence


@dataclass(frozen=True, slots=True)
class LineQuestion:
    """A request that the experiment wants to make.

    Attributes:
        address: Whom to ask.
        pdu: The request; reads only.
        registers: Registers it asks for.
        gap_ns: Silence before it [ns].
        listen_ns: How long to wait for the first byte [ns].
        purpose: Why, in words.
    """

    address: int
    pdu: bytes
    registers: int
    gap_ns: int
    listen_ns: int
    purpose: str


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that may be wrong, with the probability that it is.

    Several causes can hold at once: the probabilities need not sum to one.

    Attributes:
        code: Of the finding that tells it.
        address: The address it concerns, None for the whole line.
        probability: That it is present.
        evidence: What it rests on.
        facts: What the sentences of the finding need.
    """

    code: str
    address: int | None
    probability: float
    evidence: tuple[Evidence, ...]
    facts: dict[str, object]
