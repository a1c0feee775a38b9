"""Does an energy counter agree with the integral of the same meter's power?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.reading import Snapshot

# How far counter and integrated power may differ [%] beyond the counter's own step: sampling once a
# second misses what happens in between. Common practice, no source.
_LIMIT_PERCENT = 2.0


def counter_check(address: int, polls: Sequence[Snapshot], steps: Mapping[str, float]) -> Check:
    """Hold the counter that moved against the power, trapezoids between the polls."""
    subject, title = f"address {address}", "Its counter agrees with its power"

    def undecided(why: str) -> Check:
        return Check("counter", subject, title, "", why, CheckOutcome.NOT_TESTED)

    if len(polls) < 3 or any("P" not in p.quantities for p in polls):
        return undecided("no power was read over a while")
    powers = [p.quantities["P"] for p in polls]
    if min(powers) * max(powers) <= 0 or max(map(abs, powers)) < 1.0:
        return undecided("no current flows, or the power turned: connect a load and try again")
    wh = sum(
        (a.quantities["P"] + b.quantities["P"]) / 2 * (b.t_ns - a.t_ns) / 3.6e12
        for a, b in pairwise(polls)
    )
    moved = {
        name: polls[-1].quantities[name] - polls[0].quantities[name]
        for name in ("E_import", "E_export")
        if all(name in p.quantities for p in (polls[0], polls[-1]))
    }
    if not moved:
        return undecided("it has no counter")
    name, counted = max(moved.items(), key=lambda pair: pair[1])
    step = steps.get(name, 1.0)
    needed_s = abs(2 * step / (_LIMIT_PERCENT / 100) / max(map(abs, powers)) * 3600)
    tolerance = step + abs(wh) * _LIMIT_PERCENT / 100
    if abs(wh) < 2 * step:
        return undecided(
            f"its counter steps by {step:g} Wh: at this power it takes {needed_s / 60:.0f} min "
            "to tell"
        )
    fits = abs(counted - abs(wh)) <= tolerance
    return Check(
        "counter",
        subject,
        title,
        f"{abs(wh):.3f} Wh by its power",
        f"{counted:g} Wh on {name}",
        CheckOutcome.PASS if fits else CheckOutcome.FAIL,
        f"within {tolerance:.3g} Wh (one step and {_LIMIT_PERCENT:g} %)",
        finding_codes=() if fits else ("bench-counter-disagrees",),
    )
