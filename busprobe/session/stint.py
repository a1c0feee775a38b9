"""A stint: what one step did on the bus, from its first moment to its last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busprobe.model.exchange import Exchange
    from busprobe.model.finding import Finding
    from busprobe.model.line import Endpoint


@dataclass(frozen=True, slots=True)
class Stint:
    """What one step did on the bus; the time in between belongs to nobody.

    Attributes:
        name: Name of the step.
        endpoint: The link.
        start_ns: When it began, on the link's clock [ns].
        end_ns: When it ended [ns].
        exchanges: Requests that it made.
        findings: What was found up to its end.
    """

    name: str
    endpoint: Endpoint
    start_ns: int
    end_ns: int
    exchanges: tuple[Exchange, ...]
    findings: tuple[Finding, ...] = ()
