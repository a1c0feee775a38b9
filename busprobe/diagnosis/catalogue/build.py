"""The whole catalogue, put together from its parts."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.catalogue import (
    addresses,
    balance,
    bench,
    devices,
    line,
    search,
    site,
    wiring,
)
from busprobe.diagnosis.catalogue.base import Entry, make_finding
from busprobe.model.finding import Evidence, Finding

CATALOGUE: dict[str, Entry] = {
    **addresses.ENTRIES,
    **balance.ENTRIES,
    **bench.ENTRIES,
    **devices.ENTRIES,
    **line.ENTRIES,
    **search.ENTRIES,
    **site.ENTRIES,
    **wiring.ENTRIES,
}


def finding(
    code: str,
    *,
    probability: float,
    evidence: Sequence[Evidence],
    address: int | None = None,
    device: str | None = None,
    **facts: object,
) -> Finding:
    """Make the finding with this code; `facts` fill the templates of its entry.

    Raises:
        KeyError: No such code, or a fact that a template needs is missing.
    """
    return make_finding(
        code,
        CATALOGUE[code],
        probability=probability,
        evidence=evidence,
        address=address,
        device=device,
        **facts,
    )
