"""Answers that came in pieces: does one device pause, or does this computer or the adapter?

A busy computer and an adapter that saves bytes up hold back anybody's bytes; a device that pauses
does so in its own answers alone. Only answers that are long enough to hold the pause are compared.
With one device alone on the line the two cannot be told apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from busprobe.diagnosis.line_health.counting import MOST_SURE, share_of
from busprobe.diagnosis.line_health.rates import log_drawn, log_fixed
from busprobe.diagnosis.line_health.signs import Sample, Sign
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.finding import Evidence

# Share of the answers with a pause (Beta priors, assumptions): a device that pauses does so in most
# of them, a busy computer now and then; beside a device that pauses it is to blame for so many.
_DEVICE = (2.0, 1.0)
_COMPUTER = (0.5, 4.0)
_CHANCE = 2e-3
_WHOLE = (Sign.CLEAN, Sign.GATEWAY)


def pauses(answering: Mapping[int, Sequence[Sample]]) -> list[Cause]:
    """Whose answers came in pieces.

    Args:
        answering: Exchanges by address, of all that answer.
    """
    whole = {a: [s for s in its if s.sign in _WHOLE] for a, its in answering.items()}
    paused = [s for its in whole.values() for s in its if s.pause_ns]
    if not paused:
        return []
    shortest = min(s.pause_at for s in paused)
    counts = {
        a: (sum(bool(s.pause_ns) for s in its), sum(s.characters > shortest for s in its))
        for a, its in whole.items()
    }
    hit = [a for a, (bad, _) in counts.items() if bad]
    rest = [counts[a] for a in counts.keys() - set(hit)]
    device = _one_pauses([counts[a] for a in hit], sum(total for _, total in rest))
    found = []
    for address in hit:
        its = [s for s in paused if s.address == address]
        longest = max(its, key=lambda s: s.pause_ns)
        places = sorted({s.pause_at for s in its})
        after = f"{places[0]}" if len(places) == 1 else f"{places[0]} to {places[-1]}"
        share, others = share_of(*counts[address]), sum(total for _, total in rest)
        facts: dict[str, object] = {
            "longest_ms": f"{longest.pause_ns / 1e6:.0f}",
            "share": share,
            "others": others,
            "after": after,
        }
        text = f"{share} answers came with a pause after {after} bytes, of others 0 of {others}"
        evidence = (Evidence(longest.number, text),)
        found.append(Cause("device-pauses", address, min(device, MOST_SURE), evidence, facts))
    longest = max(paused, key=lambda s: s.pause_ns)
    listed = ", ".join(
        f"{bad} of {total} at address {a}" for a, (bad, total) in counts.items() if total
    )
    text = f"with a pause, the longest of {longest.pause_ns / 1e6:.0f} ms: {listed}"
    found.append(
        Cause(
            "answers-in-pieces",
            None,
            min(1 - device, MOST_SURE),
            (Evidence(longest.number, text),),
            {"count": len(paused), "longest_ms": f"{longest.pause_ns / 1e6:.0f}"},
        )
    )
    return found


def _one_pauses(hit: Sequence[tuple[int, int]], others: int) -> float:
    """Probability that these devices pause, rather than something that holds everybody back.

    Args:
        hit: Answers with a pause and all long enough, by device.
        others: Answers of all other devices that are long enough, none with a pause.
    """
    if not others:
        return 0.0
    bad, total = sum(b for b, _ in hit), sum(max(b, t) for b, t in hit)
    own = sum(log_drawn(b, max(b, t), *_DEVICE) for b, t in hit) + log_fixed(0, others, _CHANCE)
    everybody = log_drawn(bad, total + others, *_COMPUTER)
    # Which of the devices they are is not known beforehand.
    own -= len(hit) * math.log(2.0)
    return 1.0 / (1.0 + math.exp(min(50.0, everybody - own)))
