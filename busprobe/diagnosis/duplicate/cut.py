"""Damage that one device and a driver explain: always the first bytes, or always the last."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from busprobe.diagnosis.cut_answers import HEAD, SHORTEST, last_cut, last_missing, start_lost
from busprobe.diagnosis.duplicate.hypotheses import tells
from busprobe.diagnosis.duplicate.observe import Observation
from busprobe.diagnosis.duplicate.questions import Question
from busprobe.diagnosis.duplicate.serials import frame_of

# Damage of other kinds beside it is noise up to this share.
_NEARLY_ALL = 0.8
_FEWEST = 3
# An end as long as this, of an answer whose end is proved, is the same answer.
_SAME_END = 0.75


# An adapter that drives on after its request seldom does so for longer (common practice, no source;
# a field capture posted in rosenrot00/esphome_modbus_bridge #23 shows 1.3 ms).
ADAPTER_AT_MOST_NS = 12_000_000


def as_if_cut(
    taken: Sequence[tuple[Question, Observation]],
    address: int,
    function: int,
    earliest_ns: int | None = None,
) -> bool:
    """Whether nearly all damage is of answers that lack their first or last bytes, and no more.

    An adapter that drives on after its request, a device that starts too early or lets go too soon
    do that; so do two devices now and then, but they leave other damage as well.

    Args:
        taken: Questions and what came of them.
        address: Address asked.
        function: Function code asked.
        earliest_ns: How soon after the request the first damaged answer began [ns]. Where an
            adapter may still have been driving, more than the CRC can replace may be destroyed:
            then it is enough that the ends are the same every time, or those of whole answers.
    """
    damaged = [(q.pdu, o) for q, o in taken if not o.contents and tells(o.kind) is not None]
    if len(damaged) < _FEWEST:
        return False
    proved = [(asked, o) for asked, o in damaged if _is_cut(o, address, function)]
    ends = Counter((asked, o.head[-_end(o) :]) for asked, o in damaged)
    sure = {(asked, o.head[-_end(o) :]) for asked, o in proved}
    if earliest_ns is not None and earliest_ns < ADAPTER_AT_MOST_NS:
        sure |= {end for end, count in ends.items() if count > 1}
        wholes = [
            (q.pdu, o, frame_of(address, function, content[1:]))
            for q, o in taken
            for content in o.contents
            if len(content) > 1
        ]
        sure |= {(asked, frame[-_end(o) :]) for asked, o, frame in wholes}
        # Of readings that change, no end is known that could be compared.
        fixed = {q.pdu for q, _ in taken if q.fixed}
        judged = [(asked, o) for asked, o in damaged if asked in fixed or (asked, o) in proved]
        damaged = judged if len(judged) >= _FEWEST else damaged
    explained = sum(
        (asked, o) in proved or (asked, o.head[-_end(o) :]) in sure for asked, o in damaged
    )
    return explained >= _NEARLY_ALL * len(damaged)


def _is_cut(seen: Observation, address: int, function: int) -> bool:
    head = bytes((address, function, seen.characters - SHORTEST))
    data = seen.head
    if len(data) < HEAD:
        return False
    return (
        last_missing(data, head, seen.characters) is not None
        or last_cut(data, head, seen.characters)
        or start_lost(data, head, seen.characters)
    )


def _end(seen: Observation) -> int:
    return max(1, round(_SAME_END * seen.characters))
