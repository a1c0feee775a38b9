"""Questions and answers of the duplicate test."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.model.finding import Evidence


@dataclass(frozen=True, slots=True)
class Probe:
    """A request that the test wants to make.

    Attributes:
        pdu: The request; reads only.
        listen_ns: How long to wait for the first byte [ns].
        linger_ns: How long to go on listening after a whole answer [ns].
        gap_ns: Least silence before it [ns].
        purpose: Why, in words.
        offset: How much faster than the line the request is to be sent, as a share of its rate; the
            answer is heard at the rate of the line.
        pause_after: Pause for a character after so many bytes of the request, 0 for never.
    """

    pdu: bytes
    listen_ns: int
    linger_ns: int
    gap_ns: int
    purpose: str
    offset: float = 0.0
    pause_after: int = 0


@dataclass(frozen=True, slots=True)
class DuplicateVerdict:
    """What the test found at one address.

    Attributes:
        address: The address.
        verdict: "single", "duplicate", "silent" or "undecided".
        probability: Of the verdict; for "undecided", of two devices.
        exchanges: How many exchanges it rests on.
        serials: Serial numbers, each from an answer with a right CRC, or put together from pieces
        of
            several answers with a right CRC.
        evidence: What was seen.
        manner: How the two share the line, in words, or "".
    """

    address: int
    verdict: str
    probability: float
    exchanges: int
    serials: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    manner: str = ""
