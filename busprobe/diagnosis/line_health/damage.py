"""Damaged answers: whose fault are they?"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.line_health.counting import (
    CHANCE,
    MOST_SURE,
    answered_in,
    first_with,
    presence,
    share_of,
)
from busprobe.diagnosis.line_health.disturbance import Exposure, exposure, weigh_disturbance
from busprobe.diagnosis.line_health.rates import log_drawn
from busprobe.diagnosis.line_health.signs import Sample, Sign
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.finding import Evidence

# The share of "not held" that is a surplus terminator rather than missing bias (assumption): the
# bytes cannot tell them apart.
_SURPLUS_SHARE = 0.15
_OVERLAP_MS = 25.0
_UNDAMAGED = 0.5
_STARTS_EXPLAIN = 3
_HABIT = 3
_WITH_EDGES = (Sign.CLEAN, Sign.GATEWAY, Sign.ROLLED, Sign.LAST_LOST)
_LONGEST_SPECK = 3


def _same_damage(its: Sequence[Sample]) -> int:
    """Damaged starts with the same bytes every time: nothing random does that."""
    seen = Counter(
        (s.condition.registers, s.heard)
        for s in its
        if s.sign is Sign.DAMAGED and s.heard[:1] != bytes((s.address,))
    )
    return sum(count for count in seen.values() if count >= 3)


def destroyed_starts(answering: Mapping[int, Sequence[Sample]]) -> list[Cause]:
    """Destroyed starts: is our own driver on too long, or a device's too late?"""
    facts: dict[int, tuple[int, int, float]] = {}
    for address, its in answering.items():
        answered = answered_in(its)
        count = sum(s.sign is Sign.START_LOST for s in answered) + _same_damage(answered)
        times = [s.turnaround_ns / 1e6 for s in answered if s.turnaround_ns is not None]
        facts[address] = count, len(answered), min(times, default=math.inf)
    hit = {a: f for a, f in facts.items() if f[0]}
    if not hit:
        return []
    damage = _damage_rates(answering)
    p = max(
        # Two devices that collide leave such signs too, among other damage.
        presence(count, total, CHANCE + 0.01 + 0.3 * damage[a][0] / max(1, total))
        for a, (count, total, _) in hit.items()
    )
    slowest_hit = max(f[2] for f in hit.values())
    clean_faster = [a for a, f in facts.items() if not f[0] and f[2] < slowest_hit]
    clean_slower = [a for a, f in facts.items() if not f[0] and f[2] >= slowest_hit]
    if clean_faster:
        ours = 0.05
    elif clean_slower or len(hit) > 1:
        ours = 0.93
    else:
        # One device alone: a quick one is the likelier victim of our own driver.
        ours = 0.75 if slowest_hit < _OVERLAP_MS else 0.4
    count = sum(f[0] for f in hit.values())
    total = sum(f[1] for f in hit.values())
    listed = ", ".join(f"address {a}" for a in sorted(hit))
    first = min(
        (s.number for a in hit for s in answering[a] if s.sign in (Sign.START_LOST, Sign.DAMAGED)),
        default=None,
    )
    evidence = (
        Evidence(
            first,
            f"{share_of(count, total)} answers of {listed} have a destroyed start and a sound end, "
            f"or the same wrong bytes every time; they begin {slowest_hit:.1f} ms after the "
            "request",
        ),
        *(
            (Evidence(None, f"faster and sound: {', '.join(map(str, clean_faster))}"),)
            if clean_faster
            else ()
        ),
        *(
            (Evidence(None, f"slower and sound: {', '.join(map(str, clean_slower))}"),)
            if clean_slower
            else ()
        ),
    )
    found = [
        Cause(
            "driver-late",
            None,
            min(p * ours, MOST_SURE),
            evidence,
            {"which": listed, "fastest": f"{slowest_hit:.0f}"},
        )
    ]
    found += [
        Cause("first-byte-lost", a, min(p * (1 - ours), MOST_SURE), evidence, {}) for a in hit
    ]
    return found


def _trailed(sample: Sample) -> bool:
    """Whether a whole answer has bytes beside it that no low pulse leaves."""
    return any(len(r) > 1 and not set(r) <= PULSES for r in (sample.before, sample.after))


def looks_doubled(its: Sequence[Sample]) -> bool:
    """Whether answers of one address are damaged, doubled or trailed more than once."""
    return sum(s.sign is Sign.DAMAGED or s.seconds > 0 or _trailed(s) for s in its) >= 2


def _cuts(its: Sequence[Sample]) -> bool:
    """Whether the ends of answers are lost or held back again and again."""
    return sum(s.sign in (Sign.LAST_LOST, Sign.ROLLED) for s in its) >= _HABIT


def _without_habit(its: Sequence[Sample]) -> list[Sample]:
    """Exchanges of such a device, without damage that may be its habit's."""
    return [s for s in its if s.sign is not Sign.DAMAGED or s.heard[:1] != bytes((s.address,))]


def starts_hide_more(its: Sequence[Sample]) -> bool:
    """Whether beside destroyed starts there is damage of other kinds: two devices leave both."""
    starts = sum(s.sign is Sign.START_LOST for s in its)
    damaged = sum(s.sign is Sign.DAMAGED for s in its) - _same_damage(its)
    return starts >= _STARTS_EXPLAIN and damaged >= 2


def _damage_rates(
    answering: Mapping[int, Sequence[Sample]],
) -> dict[int, tuple[int, int]]:
    """Damaged answers and characters by address, what is explained otherwise left out."""
    rates = {}
    for address, its in answering.items():
        answered = answered_in(its)
        damaged = sum(
            s.sign is Sign.DAMAGED or s.seconds > 0 or _trailed(s) for s in answered
        ) - _same_damage(answered)
        starts = sum(s.sign is Sign.START_LOST for s in answered) + _same_damage(answered)
        if starts >= max(_STARTS_EXPLAIN, damaged):
            # Whatever destroys the starts destroys whole answers too, as the bits fall.
            damaged = 0
        rates[address] = damaged, sum(s.characters for s in answered)
    return rates


def suspects_of(answering: Mapping[int, Sequence[Sample]]) -> tuple[int, ...]:
    """Addresses whose answers are damaged clearly more often than those of all others."""
    rates = _damage_rates(answering)
    found = []
    for address, (bad, characters) in rates.items():
        if bad < 2:
            continue
        rest = [r for a, r in rates.items() if a != address]
        other_bad, other_characters = sum(r[0] for r in rest), sum(r[1] for r in rest)
        if not other_characters:
            # Nothing to compare with: noise does this as well, but two devices must be ruled out.
            found.append(address)
            continue
        own = log_drawn(bad, characters, 0.5, 50.0) + log_drawn(
            other_bad, other_characters, 0.5, 50.0
        )
        shared = log_drawn(bad + other_bad, characters + other_characters, 0.5, 50.0)
        if own - shared > 2.5 and bad * other_characters > other_bad * characters:
            found.append(address)
    return tuple(found)


def disturbances(
    answering: Mapping[int, Sequence[Sample]],
    character_s: float,
    duplicates: Mapping[int, tuple[str, float]],
    alone: Exposure,
    everything: Mapping[int, Sequence[Sample]],
    *,
    crossing: bool,
    foreign: float,
) -> list[Cause]:
    """What damages answers, or leaves bytes beside them: an address of its own, or the line.

    Args:
        answering: Exchanges by address that tell how the line fares.
        character_s: Duration of a character [s].
        duplicates: Verdict and probability of the duplicate test, by address, where it was made.
        alone: Stray bytes heard while nothing was sent.
        everything: Exchanges of all addresses that answer.
        crossing: Whether two devices are known to answer at once.
        foreign: Probability that somebody answers for others.
    """
    suspects = suspects_of(answering)
    if len(answering) == 1:
        suspects = tuple(a for a in suspects if duplicates.get(a, ("", 0.0))[0] == "duplicate")
    tested = (a for a, (verdict, _) in duplicates.items() if verdict == "duplicate")
    suspects = tuple(dict.fromkeys((*suspects, *tested)))
    found: list[Cause] = []
    for address in suspects:
        its = answering.get(address) or everything[address]
        bad = sum(s.sign is Sign.DAMAGED or s.seconds > 0 or _trailed(s) for s in its)
        verdict, sure = duplicates.get(address, ("untested", 0.0))
        two = sure if verdict == "duplicate" else 1 - sure if verdict == "single" else 0.4
        one = (1 - two) * (1 - foreign)
        evidence = (
            Evidence(
                first_with(its, Sign.DAMAGED),
                f"{share_of(bad, len(its))} of its answers damaged, hardly any elsewhere",
            ),
            Evidence(None, f"test for two devices: {verdict}"),
        )
        facts: dict[str, object] = {"count": bad, "total": len(its)}
        found.append(Cause("damage-at-address", address, min(one, 0.97), evidence, facts))
        found.append(Cause("duplicate-address", address, min(two, MOST_SURE), evidence, facts))
    edges = _edges(answering)
    found += [cause for cause, _ in edges]
    skip = {address for _, address in edges} | set(suspects)
    same = {a for a, its in answering.items() if _same_damage(its)}
    rest = [
        s
        for a, its in answering.items()
        if a not in skip | same
        for s in (_without_habit(its) if _cuts(its) else its)
    ]
    if not rest:
        return found
    rolling = any(s.sign is Sign.ROLLED for s in rest)
    # A byte held back may also come by itself.
    seen = (
        exposure(
            rest,
            character_s,
            shortest=2 if rolling else 1,
            # Where answers cross, longer runs may be what is left of one.
            longest=_LONGEST_SPECK if crossing else None,
        )
        + alone
    )
    weights = weigh_disturbance(seen, crossing=crossing)
    bad = seen.frames
    first = first_with(rest, Sign.DAMAGED)
    hits = (
        Evidence(
            first,
            f"{bad} damaged answers in {seen.frame_s:.1f} s of answers; {seen.idle} runs of stray "
            f"bytes in {seen.idle_s:.1f} s of silence, {seen.pulses} of them low pulses",
        ),
    )
    longs = [s for s in rest if s.condition.registers > 10 and s.sign is not Sign.SILENT]
    shown = sum(s.sign is Sign.DAMAGED for s in longs), len(longs)
    noise = weights["noise"] + weights["both"] + weights["level"]
    if not bad:
        # Frames that all came whole speak against it: stray bytes alone do not prove it.
        noise = min(noise, _UNDAMAGED)
    idle = weights["floating"] + weights["both"]
    stray = next((r for s in rest for r in (s.before, s.after, *s.idle) if r), b"")
    values = f"{stray[:6].hex(' ').upper()} " if stray else ""
    found.append(
        Cause(
            "noisy-line",
            None,
            min(noise, MOST_SURE),
            hits,
            {
                "share": f"{shown[0]} of {shown[1]} long answers",
                "where": "" if weights["level"] < 0.5 else ", while the idle line stays quiet",
            },
        )
    )
    facts = {"seen": f"such as {values}" if values else ""}
    found.append(Cause("no-bias", None, min(idle * (1 - _SURPLUS_SHARE), MOST_SURE), hits, facts))
    found.append(Cause("surplus-termination", None, idle * _SURPLUS_SHARE, hits, facts))
    return found


def _edges(answering: Mapping[int, Sequence[Sample]]) -> list[tuple[Cause, int]]:
    """Devices that put the same low pulse beside most of their answers."""
    found = []
    for address, its in answering.items():
        whole = [s for s in its if s.sign in _WITH_EDGES]
        if len(whole) < 4:
            continue
        for side in ("before", "after"):
            values = Counter(bytes(getattr(s, side)) for s in whole if len(getattr(s, side)) == 1)
            value, count = max(values.items(), key=lambda p: p[1], default=(b"", 0))
            if count >= 0.6 * len(whole):
                cause = Cause(
                    "switching-edges",
                    address,
                    0.98,
                    (
                        Evidence(
                            next(s.number for s in whole if getattr(s, side) == value),
                            f"{value.hex().upper()} {side} {share_of(count, len(whole))} whole "
                            "answers",
                        ),
                    ),
                    {},
                )
                found.append((cause, address))
                break
    return found
