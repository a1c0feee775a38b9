"""Meters of a site of the shipped simulator as series, every register included."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.diagnosis.balance import CurtailMark
from busprobe.model.series import Series
from busprobe_sim.site import InstrumentParameters, Site
from busprobe_sim.site.instrument import Instrument

S = 1_000_000_000
_RESOLUTION = {"P": 1.0, "Q": 1.0, "V": 0.1, "I": 0.01, "E": 1.0}


def read_series(
    site: Site,
    meters: Mapping[str, tuple[str, InstrumentParameters]],
    duration_s: float,
    *,
    poll_s: float = 1.0,
    seed: int = 1,
    only: str = "PQVE",
) -> dict[str, Series]:
    """Read every meter in turn.

    Args:
        site: The site.
        meters: Measuring point and quality of each meter, by name.
        duration_s: How long [s].
        poll_s: Time from one reading of a meter to its next [s].
        seed: Seed of the meters' errors.
        only: First letters of the quantities that are kept.
    """
    found = {}
    for number, (name, (point, parameters)) in enumerate(meters.items()):
        instrument = Instrument(site, point, parameters, seed, name)
        t_s, rows = [], []
        at = 2.0 + 0.13 * number
        while at < duration_s:
            t_s.append(at)
            rows.append(instrument.readings(round(at * S)))
            at += poll_s
        columns = {
            q: tuple(_register(q, row[q]) for row in rows)
            for q in rows[0]
            if q[0] in only and q[0] in _RESOLUTION
        }
        steps = {q: _RESOLUTION[q[0]] for q in columns}
        found[name] = Series(tuple(t_s), columns, (), steps)
    return found


def _register(quantity: str, value: float) -> float:
    step = _RESOLUTION[quantity[0]]
    return round(value / step) * step


def curtail(site: Site, source: str, meter: str, first_s: float) -> list[CurtailMark]:
    """Two rounds of 40 s at a tenth and 40 s free."""
    marks = []
    at = first_s
    for _ in range(2):
        for held in (True, False):
            marks.append(CurtailMark(at, meter, held))
            site.curtail(source, 0.1 if held else 1.0, round((at + 1.0) * S))
            at += 40.0
    return marks
