"""From the samples of an experiment to causes with probabilities.

Each cause is weighed against the best of its rivals: a sign that a cause would leave is counted,
and its count compared with what chance and the other causes found so far would leave. Causes can
hold together, so that each has a probability of its own.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.line_health.counting import (
    CHANCE,
    LOOKS_LIKE,
    MOST_SURE,
    answered_in,
    first_with,
    is_clean,
    presence,
    share_of,
)
from busprobe.diagnosis.line_health.crossing import answers_for_others
from busprobe.diagnosis.line_health.damage import (
    destroyed_starts,
    disturbances,
    looks_doubled,
    starts_hide_more,
    suspects_of,
)
from busprobe.diagnosis.line_health.disturbance import NOTHING, Exposure
from busprobe.diagnosis.line_health.impatience import without_given_up
from busprobe.diagnosis.line_health.pauses import pauses
from busprobe.diagnosis.line_health.signs import GATEWAY_EXCEPTIONS, Sample, Sign
from busprobe.diagnosis.line_health.silence import Silence, weigh_silence
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.finding import Evidence

# A device this slow loses answers in masters with a usual time-out (200 to 500 ms in libraries).
SLOW_MS = 200.0
_MARGIN = 1.5
_EXPLAINS = 0.9
# A slow answer that the delay of this computer explains may be slow all the same.
_DELAY_EXPLAINS = 0.5
_SHADOWED = 0.3
_COLLISIONS = {
    "noisy-line",
    "answers-for-others",
    "damage-at-address",
    "duplicate-address",
    "requests-dropped",
    "minimum-gap",
    "deaf-after-others",
    "last-byte-lost",
    "slow-device",
}
# What a duplicate test may take for a second device. On drawn lines with one of them and a verdict
# of "duplicate", so many were doubled besides (46 of 300 pairs of faults).
_CONFUSING = {
    "noisy-line",
    "no-bias",
    "rolling-answer",
    "last-byte-lost",
    "switching-edges",
    "requests-dropped",
    "minimum-gap",
}
_DOUBLED_BESIDE_OTHERS = 0.87
_MUTE = (Sign.SILENT, Sign.OTHERS)
# Where the line itself is disturbed, requests are lost on the way to a sound device as well.
_DISTURBED_FROM = 0.06


@dataclass(frozen=True, slots=True)
class Weighed:
    """Everything weighed so far.

    Attributes:
        causes: All causes with a probability worth telling, likeliest first.
        bad: Exchanges that were not clean.
        total: Exchanges.
        suspects: Addresses whose answers alone are damaged: one device or two?
    """

    causes: tuple[Cause, ...]
    bad: int
    total: int
    suspects: tuple[int, ...]

    def probability(self, code: str, address: int | None = None) -> float:
        """Probability of a cause, 0 where it was not weighed."""
        return max(
            (
                c.probability
                for c in self.causes
                if c.code == code and (address is None or c.address == address)
            ),
            default=0.0,
        )


def weigh(
    samples: Sequence[Sample],
    character_s: float,
    duplicates: Mapping[int, tuple[str, float]] | None = None,
    alone: Exposure = NOTHING,
) -> Weighed:
    """Weigh all causes.

    Args:
        samples: Of one experiment.
        character_s: Duration of a character [s].
        duplicates: Verdict and probability of the duplicate test, by address, where it was made.
        alone: Stray bytes heard while nothing was sent.
    """
    duplicates = duplicates or {}
    everything = samples
    samples, given_up = without_given_up(samples)
    by_address: dict[int, list[Sample]] = {}
    for each in samples:
        by_address.setdefault(each.address, []).append(each)
    waited = {a: [s for s in its if s.number not in given_up] for a, its in by_address.items()}
    silences = {
        address: weigh_silence(its, _missed_elsewhere(waited, address))
        for address, its in waited.items()
    }
    answering = {
        a: its for a, its in by_address.items() if any(s.sign is not Sign.SILENT for s in its)
    }
    causes: list[Cause] = []
    delay_ms = max((s.pause_ns for s in samples), default=0) / 1e6
    # Who answers for others collides with their answers: only its own say how the line fares.
    doubled = {a for a, (verdict, _) in duplicates.items() if verdict == "duplicate"}
    others = answers_for_others(answering, duplicates)
    senders = {c.address for c in others if c.probability > _EXPLAINS} - doubled
    undisturbed = {a: its for a, its in answering.items() if not senders or a in senders}
    if answering:
        for address, its in answering.items():
            causes += _silent(address, waited[address], silences[address])
            causes += _signs(address, its, delay_ms)
        for address in by_address.keys() - answering.keys():
            causes.append(_device_silent(address, by_address[address]))
        causes += others
        causes += destroyed_starts(undisturbed)
        causes += disturbances(
            undisturbed,
            character_s,
            duplicates,
            alone,
            answering,
            crossing=bool(senders | doubled),
            foreign=max((c.probability for c in others), default=0.0),
        )
    elif samples:
        causes.append(_line_silent(samples))
    causes += pauses(answering)
    causes += _whole_line(samples)
    causes = [
        # Where two devices collide, either may seem to lose the first byte.
        replace(c, probability=min(c.probability, _SHADOWED))
        if c.code == "first-byte-lost" and c.address in doubled
        else c
        for c in causes
    ]
    causes = [
        # The second answer of a doubled address may come when somebody else is asked.
        replace(c, probability=min(c.probability, _SHADOWED))
        if c.code == "answers-for-others" and c.address in doubled
        else c
        for c in causes
    ]
    causes = [_beside_others(c, causes) for c in causes]
    if any(c.code == "foreign-master" for c in causes):
        # What its requests and their answers collide with cannot be told from faults.
        causes = [
            replace(c, probability=min(c.probability, _SHADOWED)) if c.code in _COLLISIONS else c
            for c in causes
        ]
    kept = sorted((c for c in causes if c.probability >= 0.02), key=lambda c: -c.probability)
    bad = sum(not is_clean(s) for s in everything)
    suspects = suspects_of(undisturbed)
    # Two devices on one address may look like one that answers for others.
    suspects += tuple(a for a in undisturbed if a in senders and looks_doubled(undisturbed[a]))
    suspects += tuple(a for a in undisturbed if starts_hide_more(undisturbed[a]))
    return Weighed(tuple(kept), bad, len(everything), tuple(dict.fromkeys(suspects)))


def _beside_others(cause: Cause, causes: Sequence[Cause]) -> Cause:
    """The duplicate test knows no other faults: beside one, its verdict is worth less."""
    if cause.code != "duplicate-address" or cause.probability <= _DOUBLED_BESIDE_OTHERS:
        return cause
    others = any(
        c.probability > _EXPLAINS and c.code in _CONFUSING and c.address in (None, cause.address)
        for c in causes
    )
    return replace(cause, probability=_DOUBLED_BESIDE_OTHERS) if others else cause


def _missed_elsewhere(
    by_address: Mapping[int, Sequence[Sample]], address: int
) -> tuple[int, int] | None:
    """Missed and all requests of the other device that misses least: the line's own share.

    None where the line is not disturbed.
    """
    samples = [s for its in by_address.values() for s in its]
    hit = sum(
        s.sign is Sign.DAMAGED or bool(s.idle) or _is_speck(s.before) or _is_speck(s.after)
        for s in samples
    )
    if hit < _DISTURBED_FROM * len(samples):
        return None
    counts = [
        (sum(s.sign in _MUTE for s in its), len(its))
        for a, its in by_address.items()
        if a != address and any(s.sign not in _MUTE for s in its)
    ]
    return min(counts, key=lambda c: (c[0] + 1) / (c[1] + 2), default=(0, 0))


def _is_speck(beside: bytes) -> bool:
    """Whether there is more beside an answer than the edge of a driver that switches."""
    return len(beside) > 1 or (len(beside) == 1 and beside[0] not in PULSES)


def _silent(address: int, its: Sequence[Sample], silence: Silence) -> list[Cause]:
    mute = [s for s in its if s.sign in _MUTE]
    if not mute:
        return []
    found = []
    needed_ms = silence.gap_ns / 1e6
    short = [s for s in its if s.condition.gap_ns < silence.gap_ns]
    long = [s for s in its if s.condition.gap_ns >= silence.gap_ns]
    after = [s for s in its if s.condition.after_other]
    alone = [s for s in its if not s.condition.after_other]

    def missed(some: Sequence[Sample]) -> str:
        return f"{sum(s.sign in _MUTE for s in some)} of {len(some)} missed"

    facts: dict[str, object] = {
        "ask_ns": silence.ask_ns,
        "needed_ms": f"{needed_ms:.0f}",
        "set_ms": f"{2 * needed_ms:.0f}",
        "short": missed(short),
        "long": missed(long),
        "after": missed(after),
        "alone": missed(alone),
        "share": share_of(len(mute), len(its)),
        "count": len(its),
    }
    evidence = (
        Evidence(
            mute[0].number,
            f"silent in {missed(its)}; after less than {needed_ms:.0f} ms of silence "
            f"{missed(short)}, else {missed(long)}; just after another device {missed(after)}, "
            f"else {missed(alone)}",
        ),
    )
    for code in ("requests-dropped", "minimum-gap", "deaf-after-others"):
        p = min(silence.probabilities[code], MOST_SURE)
        found.append(Cause(code, address, p, evidence, facts))
    return found


def _device_silent(address: int, its: Sequence[Sample]) -> Cause:
    return Cause(
        "device-silent",
        address,
        MOST_SURE if len(its) >= 4 else 0.9,
        (Evidence(its[0].number, f"{len(its)} requests, nothing that belongs to an answer"),),
        {"count": len(its)},
    )


def _signs(address: int, its: Sequence[Sample], delay_ms: float) -> list[Cause]:
    """Signs that point to one device.

    Args:
        address: It.
        its: Its exchanges.
        delay_ms: Longest pause inside an answer of anybody: so late this computer, or the adapter,
            may have been all along [ms].
    """
    answered = answered_in(its)
    total = len(answered)
    counts = Counter(s.sign for s in answered)
    damaged = counts[Sign.DAMAGED] / max(1, total)
    rival = CHANCE + LOOKS_LIKE * damaged
    found = []
    for code, sign, text in (
        ("last-byte-lost", Sign.LAST_LOST, "answers lack their last byte, or have it cut short"),
        ("rolling-answer", Sign.ROLLED, "answers begin with the last byte of the one before"),
    ):
        count = counts[sign]
        if not count:
            continue
        both = count + (counts[Sign.LAST_LOST] if sign is Sign.ROLLED else 0)
        p = presence(count, total, rival)
        if sign is Sign.LAST_LOST and counts[Sign.ROLLED]:
            # Those bytes turned up later: the lack is explained.
            expected = counts[Sign.ROLLED] + 2
            p *= max(0.0, min(1.0, (count - expected) / max(1, count)))
        found.append(
            Cause(
                code,
                address,
                min(p, MOST_SURE),
                (Evidence(first_with(its, sign), f"{share_of(count, total)} {text}"),),
                {"count": both, "where": f"address {address}"},
            )
        )
    gateways = [s for s in its if s.exception in GATEWAY_EXCEPTIONS]
    if gateways:
        codes = ", ".join(sorted({f"{s.exception or 0:02X}" for s in gateways}))
        found.append(
            Cause(
                "gateway-between",
                address,
                MOST_SURE,
                (Evidence(gateways[0].number, f"exception {codes} in {len(gateways)} answers"),),
                {"exception": codes},
            )
        )
    readable = (Sign.CLEAN, Sign.LAST_LOST)
    marked = [s for s in answered if s.marked is not None and s.sign in readable]
    wrong = sum(bool(s.marked) for s in marked)
    if wrong:
        p = presence(wrong, len(marked), 0.01 + 0.1 * damaged)
        found.append(
            Cause(
                "wrong-parity",
                address,
                min(p, MOST_SURE),
                (
                    Evidence(
                        next(s.number for s in marked if s.marked),
                        f"{share_of(wrong, len(marked))} whole answers had characters with a "
                        "framing or parity error",
                    ),
                ),
                {"settings": "these settings", "better": ""},
            )
        )
    clean = [s for s in its if s.sign in (Sign.CLEAN, Sign.LAST_LOST) and not _is_speck(s.before)]
    times = sorted(s.turnaround_ns / 1e6 for s in clean if s.turnaround_ns is not None)
    if times and times[-1] > SLOW_MS:
        slowest = times[-1]
        found.append(
            Cause(
                "slow-device",
                address,
                0.99 if slowest - delay_ms > SLOW_MS else _DELAY_EXPLAINS,
                (
                    Evidence(
                        next(
                            (s.number for s in its if (s.turnaround_ns or 0) / 1e6 == slowest),
                            None,
                        ),
                        f"turn-around from {times[0]:.0f} to {slowest:.0f} ms in {len(times)} "
                        "answers",
                    ),
                ),
                {
                    "slowest_ms": f"{slowest:.0f}",
                    "needed_ms": f"{math.ceil(_MARGIN * slowest / 100) * 100}",
                },
            )
        )
    return found


def _whole_line(samples: Sequence[Sample]) -> list[Cause]:
    found = []
    echoes = [s for s in samples if s.echo]
    if echoes:
        found.append(
            Cause(
                "echo-heard",
                None,
                MOST_SURE,
                (
                    Evidence(
                        echoes[0].number,
                        f"the request came back first in {share_of(len(echoes), len(samples))} "
                        "exchanges",
                    ),
                ),
                {},
            )
        )
    masters = [s for s in samples if s.masters]
    if masters:
        found.append(
            Cause(
                "foreign-master",
                None,
                MOST_SURE if len(masters) > 1 else 0.97,
                (
                    Evidence(
                        masters[0].number,
                        f"requests that are not ours in {share_of(len(masters), len(samples))} "
                        "exchanges",
                    ),
                ),
                {"addresses": ", ".join(map(str, sorted({a for s in masters for a in s.masters})))},
            )
        )
    return found


def _line_silent(samples: Sequence[Sample]) -> Cause:
    stray = [s for s in samples if s.idle]
    zeros = [s for s in stray if all(not any(r) for r in s.idle)]
    asked = sorted({s.address for s in samples})
    hint = (
        "No power, a cut or exchanged pair, other settings, a stuck driver, or an adapter that "
        "lets go of the line before the request is out: without a byte they cannot be told apart."
    )
    if len(zeros) >= 0.7 * len(samples):
        hint = (
            "A 00 after every request means that the line goes low as soon as our driver lets go: "
            "A and B exchanged at the tool, or the bias the wrong way round."
        )
    elif len(stray) >= 0.7 * len(samples):
        hint = "Something answers, but never a byte that belongs to a frame: other settings."
    return Cause(
        "line-silent",
        None,
        MOST_SURE,
        (Evidence(samples[0].number, f"{len(samples)} requests, {len(stray)} with stray bytes"),),
        {
            "count": len(samples),
            "addresses": ", ".join(map(str, asked)),
            "bytes": sum(len(r) for s in samples for r in s.idle),
            "hint": hint,
        },
    )
