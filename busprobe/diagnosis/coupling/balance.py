"""Grid import and generation together are the house, and a house does not give power.

    house = grid import + sum of generation        (import positive; generation meters show it < 0)

A house that is negative betrays a meter that counts the wrong way, or a generator that nobody
measures. Turning one meter at a time shows which of them would explain it.
"""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.coupling.types import Answer, Holds, Track, watts
from busprobe.model.finding import Evidence

# Meters of class 1, read at different instants. Common practice, no source.
_ERROR = 0.03
_ERROR_W = 50.0
_FEWEST = 10
# A negative house must last: single readings taken at different instants prove nothing.
_LASTING = 0.5
_SELDOM = 0.1
# An estimate, not measured: the rest is for a generator that the plan does not know.
_PROBABLE = 0.97


def house_load(grid: Track, sources: Sequence[Track], unmetered: Sequence[str] = ()) -> Answer:
    """Whether the consumption of the house comes out positive.

    Args:
        grid: The grid meter, import positive.
        sources: All meters of generation and the hybrid inverter, import positive, read in the same
            rounds as the grid meter.
        unmetered: Names of sources that nobody measures.
    """
    unsure = [track.name for track in (grid, *sources) if not track.sign_known]
    if unsure:
        text = f"which sign is import is not known at {', '.join(unsure)}"
        return Answer(Holds.UNDECIDED, text)
    rounds = min(len(track.p_w) for track in (grid, *sources))
    if rounds < _FEWEST:
        return Answer(Holds.UNDECIDED, f"only {rounds} rounds of readings")
    tracks = (grid, *sources)
    signs = [1] + [-1] * len(sources)
    share = _negative(tracks, signs, rounds)
    mean = _mean(tracks, signs, rounds)
    evidence = (
        Evidence(
            None,
            f"{rounds} rounds: grid {watts(sum(grid.p_w[:rounds]) / rounds)}, "
            + ", ".join(f"{s.name} {watts(sum(s.p_w[:rounds]) / rounds)}" for s in sources)
            + f"; house {watts(mean)} on the average",
        ),
    )
    if share <= _SELDOM:
        return Answer(Holds.YES, f"the house draws {watts(mean)} on the average", (), evidence)
    if share < _LASTING or mean >= 0:
        text = f"negative in {100 * share:.0f} % of the readings: too seldom to be a fault"
        return Answer(Holds.UNDECIDED, text, (), evidence)
    if unmetered:
        text = (
            f"the house comes out at {watts(mean)}, which {', '.join(unmetered)} may explain: "
            "nobody measures it"
        )
        return Answer(Holds.UNDECIDED, text, (), evidence)
    explain = [
        track.name
        for number, track in enumerate(tracks)
        if _negative(tracks, _turned(signs, number), rounds) <= _SELDOM
    ]
    suspects = (
        f"It would be positive if {' or '.join(explain)} counted the other way."
        if explain
        else "No single meter that counts the wrong way explains it."
    )
    told = finding(
        "house-load-negative",
        probability=_PROBABLE,
        evidence=evidence,
        address=grid.address,
        power=watts(-mean),
        share=f"{100 * share:.0f} %",
        suspects=suspects,
        first=(
            f"wiring and sign of {' and of '.join(explain)}" if explain else "roles and generators"
        ),
    )
    return Answer(Holds.NO, told.summary, (told,), evidence)


def _turned(signs: Sequence[int], number: int) -> list[int]:
    return [-s if n == number else s for n, s in enumerate(signs)]


def _house(tracks: Sequence[Track], signs: Sequence[int], at: int) -> float:
    return sum(sign * track.p_w[at] for track, sign in zip(tracks, signs, strict=True))


def _mean(tracks: Sequence[Track], signs: Sequence[int], rounds: int) -> float:
    return sum(_house(tracks, signs, n) for n in range(rounds)) / rounds


def _negative(tracks: Sequence[Track], signs: Sequence[int], rounds: int) -> float:
    """Share of rounds in which the house is negative beyond what meters may be off."""
    count = 0
    for n in range(rounds):
        slack = _ERROR_W + _ERROR * sum(abs(track.p_w[n]) for track in tracks)
        count += _house(tracks, signs, n) < -slack
    return count / rounds
