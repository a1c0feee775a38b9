"""What the meters showed, and what a reference instrument showed beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from busprobe.report.content import MeterReadings, OutcomeWord, ReferenceEntry
from busprobe.report.details import ReferencePart
from busprobe.report.names import Names
from busprobe.report.visit import Visit

_UNITS = {"V": "V", "I": "A", "P": "W", "Q": "var", "S": "VA", "F": "Hz", "PF": ""}


def unit_of(quantity: str) -> str:
    """Unit of a quantity by its name."""
    return _UNITS.get(quantity.partition("_")[0], "")


def meter_readings(visits: Iterable[Visit], names: Names) -> tuple[MeterReadings, ...]:
    """The last reading of each meter in each state of the site."""
    last: dict[tuple[str, str, int], MeterReadings] = {}
    for visit in visits:
        for snapshot in visit.snapshots:
            if not snapshot.quantities:
                continue
            last[visit.state, names.line_of(visit), snapshot.address] = MeterReadings(
                address=snapshot.address,
                device=names.name(visit, snapshot.address),
                state=visit.state,
                time=visit.time(snapshot.t_ns).isoformat("T", "seconds"),
                sign=snapshot.sign.value,
                quantities=dict(snapshot.quantities),
            )
    return tuple(last[key] for key in sorted(last))


def reference_entries(
    references: Sequence[ReferencePart], visits: Sequence[Visit]
) -> tuple[ReferenceEntry, ...]:
    """Readings of reference instruments beside the median of the meter's own over its recording."""
    entries = []
    for reference in references:
        values = [
            s.quantities[reference.quantity]
            for v in visits
            for s in v.snapshots
            if s.address == reference.address and reference.quantity in s.quantities
        ]
        meter = median(values) if values else None
        deviation = (
            100.0 * (meter - reference.value) / abs(reference.value)
            if meter is not None and reference.value
            else None
        )
        entries.append(
            ReferenceEntry(
                address=reference.address,
                quantity=reference.quantity,
                unit=unit_of(reference.quantity),
                reference=reference.value,
                meter=meter,
                deviation_percent=None if deviation is None else round(deviation, 3),
                limit_percent=reference.limit_percent,
                outcome=_outcome(deviation, reference.limit_percent),
                instrument=reference.instrument,
            )
        )
    return tuple(entries)


def _outcome(deviation: float | None, limit: float | None) -> OutcomeWord:
    if limit is None:
        return "NOT APPLICABLE"
    if deviation is None:
        return "NOT TESTED"
    return "PASS" if abs(deviation) <= limit else "FAIL"
