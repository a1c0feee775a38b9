"""Bytes of no frame in a conversation: damaged frames, or strays of an idle line that is disturbed.

A run of so many bytes is a frame that was damaged (the shortest, an exception, has five). A shorter
one that stands alone is a stray: nobody sends so little. Beside a frame it may be the edge of a
driver that switches, and tells nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.line_health.disturbance import NOTHING, Exposure
from busprobe.diagnosis.listening.conversation import FEWEST_OF_AN_ANSWER, TimedPiece

# Further from a frame than this a run stands alone, on links that stamp to the millisecond.
_ALONE_NS = 5_000_000


def strays_of(pieces: Sequence[TimedPiece]) -> tuple[Exposure, bytes]:
    """What was hit in a conversation, and how long it could be; and the first stray.

    Args:
        pieces: Everything heard at the settings of the conversation, in order, runs of bytes of no
            frame parted where the line paused.
    """
    if len(pieces) < 2:
        return NOTHING, b""
    spoken = [p for p in pieces if p.piece.framed or len(p.piece.data) >= FEWEST_OF_AN_ANSWER]
    driven_ns = sum(p.end_ns - p.start_ns for p in spoken)
    known_ns = pieces[-1].end_ns - pieces[0].start_ns
    runs = []
    framed = [p for p in spoken if p.piece.framed]
    for before, after in pairwise((None, *spoken, None)):
        for run in _between(pieces, before, after):
            near_before = before is not None and run.start_ns - before.end_ns < _ALONE_NS
            near_after = after is not None and after.start_ns - run.end_ns < _ALONE_NS
            if not (near_before or near_after):
                runs.append(run.piece.data)
    seen = Exposure(
        len(spoken) - len(framed),
        driven_ns / 1e9,
        len(runs),
        max(0, known_ns - driven_ns) / 1e9,
        sum(set(run) <= PULSES for run in runs),
    )
    return seen, runs[0] if runs else b""


def _between(
    pieces: Sequence[TimedPiece], before: TimedPiece | None, after: TimedPiece | None
) -> list[TimedPiece]:
    first = before.piece.offset + 1 if before is not None else 0
    last = after.piece.offset if after is not None else pieces[-1].piece.offset + 1
    return [p for p in pieces if first <= p.piece.offset < last]
