"""From the series of all meters to one answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busprobe.diagnosis.balance.counters import check_counters
from busprobe.diagnosis.balance.evidence import gather
from busprobe.diagnosis.balance.held import followers, in_loop
from busprobe.diagnosis.balance.inside import one_of_twins
from busprobe.diagnosis.balance.posterior import weigh_all
from busprobe.diagnosis.balance.tracks import lay, power_columns
from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CounterCheck,
    CurtailMark,
    MeterBalance,
    MeterRole,
    Place,
    Positive,
    Role,
    Sign,
)
from busprobe.diagnosis.balance.verdict import conclude
from busprobe.model.series import Series


def diagnose_balance(
    series: Mapping[str, Series],
    roles: Mapping[str, MeterRole],
    *,
    curtailed: Sequence[CurtailMark] = (),
) -> BalanceDiagnosis:
    """Whether the meters of a site add up, and which of them is wrong if not.

    Args:
        series: What each meter showed, by name, as it signs it; the meters need not be read at the
            same instants.
        roles: What each is said to measure; exactly one is the feed-in meter. Meters that are not
            named here are left out.
        curtailed: When a source was held back or set free on purpose. Announcements in the series
            of a meter ("off" for held back, "on" for free) count as well.

    Raises:
        ValueError: Not exactly one of the roles is the feed-in meter.
    """
    grids = [name for name, known in roles.items() if known.role is Role.GRID]
    if len(grids) != 1:
        raise ValueError(f"{len(grids)} feed-in meters named, one is needed")
    counters = {n: check_counters(s) for n, s in series.items() if n in roles}
    known = {n: _by_counters(r, counters.get(n)) for n, r in roles.items()}
    marks = tuple(sorted((*curtailed, *_marks(series)), key=lambda m: m.t_s))
    site = lay(series, known, grids[0])
    if site is None or len(site.t_s) < 3:
        return _too_little(series, known, counters)
    evidence = gather(site)
    posterior = weigh_all(evidence, followers(evidence, marks), in_loop(evidence))
    return conclude(evidence, one_of_twins(evidence, posterior), marks, counters)


def _by_counters(known: MeterRole, check: CounterCheck | None) -> MeterRole:
    """The meter's own counters tell what its sign means, better than any habit."""
    if check is None or check.positive is Positive.UNKNOWN:
        return known
    if known.role is Role.GRID:
        return replace(known, positive=check.positive)
    # A source gives by export, so import positive means that it draws when positive.
    turned = {
        Positive.INTO_SITE: Positive.OUT_OF_SITE,
        Positive.OUT_OF_SITE: Positive.INTO_SITE,
    }
    return replace(known, positive=turned[check.positive])


def _marks(series: Mapping[str, Series]) -> list[CurtailMark]:
    found = {(m.t_s, not m.on) for one in series.values() for m in one.marks}
    return [CurtailMark(t_s, "", held) for t_s, held in sorted(found)]


def _too_little(
    series: Mapping[str, Series],
    known: Mapping[str, MeterRole],
    counters: Mapping[str, CounterCheck | None],
) -> BalanceDiagnosis:
    meters = tuple(
        MeterBalance(
            name,
            one.role,
            Sign.UNKNOWN,
            None,
            (),
            0.0,
            0.0,
            Place.UNKNOWN,
            "",
            0.0,
            None,
            False,
            (),
            counters.get(name),
        )
        for name, one in sorted(known.items(), key=lambda item: item[1].role is not Role.GRID)
    )
    missing = [n for n in known if n not in series or not power_columns(series[n])]
    why = (
        f"There are no powers of {', '.join(missing)}."
        if missing
        else "The meters were read together for too short a time."
    )
    return BalanceDiagnosis(
        BalanceVerdict.UNDECIDED,
        0.0,
        meters,
        None,
        None,
        None,
        None,
        0.0,
        (why,),
        "Read all meters in turn for some minutes.",
    )
