"""The rest of an answer that came after we had stopped waiting for it.

A busy computer, or an adapter, may hand the end of an answer over so late that the exchange has
ended. The CRC proves that both parts are one answer: then neither is damage or a stray.
"""

from __future__ import annotations

from dataclasses import replace

from busprobe.diagnosis.cut_answers import SHORTEST
from busprobe.diagnosis.line_health.counting import is_clean
from busprobe.diagnosis.line_health.signs import Sample, Sign
from busprobe.model.exchange import Outcome
from busprobe.wire.crc import crc16

_BEGUN = (Sign.DAMAGED, Sign.LAST_LOST, Sign.SILENT)


def join_rest(earlier: Sample, now: Sample, pause_ns: int) -> tuple[Sample, Sample]:
    """Give an answer the rest that was heard with the next exchange.

    Args:
        earlier: The exchange before.
        now: This one, with what was heard between the two.
        pause_ns: From the last byte of the exchange before to this request [ns].

    Returns:
        Both; changed only where the rest makes an answer whole.
    """
    if earlier.sign not in _BEGUN:
        return earlier, now
    alone = earlier.sign is Sign.SILENT
    begun = earlier.idle[-1] if alone and earlier.idle else earlier.heard
    if not begun or begun[0] != earlier.address:
        return earlier, now
    # The last byte alone, just before the next answer, was held back by the device.
    beside = b"" if earlier.sign is Sign.LAST_LOST else now.before
    parts = (*now.idle, beside)
    joined = begun + b"".join(parts)
    whole = SHORTEST if joined[1:2] and joined[1] & 0x80 else earlier.characters
    rest = whole - len(begun)
    if not 0 < rest <= len(joined) - len(begun) or crc16(joined[:whole]) != 0:
        return earlier, now
    answered = replace(
        earlier,
        sign=Sign.CLEAN,
        heard=joined[:whole],
        characters=whole,
        idle=earlier.idle[:-1] if alone else earlier.idle,
        exception=joined[2] if joined[1] & 0x80 else None,
        marked=None,
        pause_ns=max(1, pause_ns),
        pause_at=len(begun),
    )
    left = []
    for part in parts:
        left.append(part[rest:])
        rest = max(0, rest - len(part))
    before = left[-1] if beside else now.before
    return answered, replace(now, idle=tuple(run for run in left[:-1] if run), before=before)


def put_right(earlier: tuple[Sample, Sample], now: tuple[Sample, Outcome]) -> dict[int, Outcome]:
    """How two exchanges are to be counted after `join_rest`, by number, where that differs.

    Args:
        earlier: The exchange before, without and with its rest.
        now: This one after the rest was taken from it, and as what it was counted.
    """
    before, joined = earlier
    if joined is before:
        return {}
    found = {joined.number: Outcome.LATE}
    sample, outcome = now
    if outcome is Outcome.CROWDED and is_clean(sample):
        found[sample.number] = Outcome.ANSWERED
    return found
