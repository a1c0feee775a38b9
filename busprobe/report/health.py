"""How the line did: counts, turn-around times, and one exchange that shows a collision."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busprobe.model.chunk import Chunk, Direction, Mark
from busprobe.model.exchange import Outcome
from busprobe.model.line import LineSettings
from busprobe.recording.schema import RecordedExchange
from busprobe.report.content import DeviceHealth
from busprobe.report.pictures.data import (
    CollisionPicture,
    HistogramPicture,
    HistogramRow,
    Speech,
)
from busprobe.report.visit import Visit, chunks_within
from busprobe.wire import rtu
from busprobe.wire.functions import Role

_STRANGE = (Outcome.MISADDRESSED, Outcome.LATE)
_MOST_BINS = 40
_NICE_MS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)
_SHOWN_BYTES = 8
# Exchanges that are looked at for the most telling one.
_MOST_TRIED = 40


def percentile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least `share` of the values do not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def turnarounds_ms(exchanges: Iterable[RecordedExchange]) -> list[float]:
    """Turn-around of every answer [ms]."""
    return [
        e.turnaround_ns / 1e6
        for e in exchanges
        if e.turnaround_ns is not None and e.answer is not None
    ]


def device_health(visits: Sequence[Visit], address: int, device: str) -> DeviceHealth:
    """How the requests to one device went, at the settings at which it answers.

    Args:
        visits: Recordings of one link in one state of the site.
        address: Its address.
        device: What to call it.
    """
    exchanges = [e for visit in visits for e in visit.at_home(address)]
    counts = Counter(e.outcome for e in exchanges)
    times = turnarounds_ms(exchanges)
    return DeviceHealth(
        address=address,
        device=device,
        state=visits[0].state,
        requests=len(exchanges),
        answered=counts[Outcome.ANSWERED],
        exceptions=counts[Outcome.EXCEPTION],
        damaged=counts[Outcome.DAMAGED],
        crowded=counts[Outcome.CROWDED],
        strange=sum(counts[o] for o in _STRANGE),
        silent=counts[Outcome.SILENT],
        turnaround_median_ms=round(percentile(times, 0.5), 3) if times else None,
        turnaround_p95_ms=round(percentile(times, 0.95), 3) if times else None,
        turnaround_uncertainty_ms=round(
            max((e.turnaround_uncertainty_ns for e in exchanges), default=0) / 1e6, 3
        ),
    )


def histogram_picture(times: Sequence[tuple[str, Sequence[float]]]) -> HistogramPicture | None:
    """Turn-around times of several devices in bins of one width.

    Args:
        times: Title and turn-around times [ms] of each device.
    """
    everything = [t for _, values in times for t in values]
    if len(everything) < 2:
        return None
    low, high = min(everything), max(everything)
    width = next((w for w in _NICE_MS if (high - low) / w < _MOST_BINS - 2), _NICE_MS[-1])
    first = math.floor(low / width) * width
    bins = min(_MOST_BINS, math.floor((high - first) / width) + 1)
    rows = []
    for title, values in times:
        counts = [0] * bins
        for value in values:
            counts[min(bins - 1, int((value - first) / width))] += 1
        rows.append(HistogramRow(title=title, counts=tuple(counts), total=len(values)))
    return HistogramPicture(first_ms=round(first, 3), bin_ms=width, rows=tuple(rows))


@dataclass(frozen=True, slots=True)
class _Heard:
    """Bytes of one exchange, each with the time of its end on the wire."""

    data: bytes
    ends_ns: tuple[int, ...]
    errors_ns: tuple[int, ...]


def _heard(chunks: Sequence[Chunk], settings: LineSettings | None) -> _Heard:
    """Received bytes; within a chunk they are taken to have come back to back."""
    character = 0 if settings is None else settings.character_ns
    data = bytearray()
    ends: list[int] = []
    errors: list[int] = []
    for chunk in chunks:
        if chunk.direction is not Direction.RECEIVED:
            continue
        for at in range(len(chunk.data)):
            end = chunk.t_ns - (len(chunk.data) - 1 - at) * character
            ends.append(end)
            if chunk.marks is not None and chunk.marks[at] is not Mark.GOOD:
                errors.append(end)
        data += chunk.data
    return _Heard(bytes(data), tuple(ends), tuple(errors))


def collision_picture(visit: Visit, address: int, cited: Sequence[int]) -> CollisionPicture | None:
    """The recorded exchange that shows best that two devices spoke at an address.

    Args:
        visit: The recording.
        address: Where more than one device answers.
        cited: Exchanges that the finding rests on, most telling first.
    """
    if visit.head.framing != "rtu":
        return None
    home = visit.home_settings(address)
    telling = [
        e
        for e in visit.exchanges
        if e.address == address and e.outcome in (Outcome.CROWDED, Outcome.DAMAGED)
    ]
    ranks = {number: rank for rank, number in enumerate(cited)}
    telling.sort(key=lambda e: (ranks.get(e.number, len(ranks)), e.number))
    shown = [e for e in telling if home is None or visit.settings_at(e.t_ns) == home]
    shown = shown[:_MOST_TRIED]
    starts = sorted({e.t_ns for e in visit.exchanges})
    windows = []
    for exchange in shown:
        after = bisect_right(starts, exchange.t_ns)
        until = starts[after] if after < len(starts) else visit.end_ns + 1
        windows.append((exchange.t_ns, until))
    pictures = [
        _draw(visit, exchange, chunks)
        for exchange, chunks in zip(shown, chunks_within(visit, windows), strict=True)
    ]
    # Two that spoke one after the other show more than a heap of bytes.
    return max(pictures, key=lambda picture: len(picture.speeches) > 2, default=None)


def _draw(visit: Visit, exchange: RecordedExchange, chunks: Sequence[Chunk]) -> CollisionPicture:
    settings = visit.settings_at(exchange.t_ns)
    sent = next((c for c in chunks if c.direction is Direction.SENT), None)
    request = b"" if sent is None else sent.data
    character = 0 if settings is None else settings.character_ns
    heard = _heard(chunks, settings)
    speeches = [_speech("request", 0, len(request) * character, request, "request")]
    at = 0
    for piece in rtu.split(heard.data, request=(exchange.address, exchange.request)):
        end = at + len(piece.data)
        first, last = heard.ends_ns[at] - character, heard.ends_ns[end - 1]
        own = piece.framed and piece.address == exchange.address and piece.role is not Role.REQUEST
        speeches.append(
            _speech(
                "answer" if own else "noise",
                first - exchange.t_ns,
                last - exchange.t_ns,
                piece.data,
                "whole answer, CRC right" if own else "bytes of no frame",
            )
        )
        at = end
    return CollisionPicture(
        address=exchange.address,
        exchange=exchange.number,
        speeches=tuple(speeches),
        marks_known=any(c.marks is not None for c in chunks),
        errors_ms=tuple(round((t - exchange.t_ns) / 1e6, 3) for t in heard.errors_ns),
        uncertainty_ms=round(max((c.uncertainty_ns for c in chunks), default=0) / 1e6, 3),
    )


def _speech(kind: str, start_ns: int, end_ns: int, data: bytes, label: str) -> Speech:
    shown = data[:_SHOWN_BYTES].hex(" ").upper()
    return Speech.model_validate(
        {
            "kind": kind,
            "start_ms": round(start_ns / 1e6, 3),
            "end_ms": round(end_ns / 1e6, 3),
            "characters": len(data),
            "hex": shown + (" …" if len(data) > _SHOWN_BYTES else ""),
            "label": label,
        }
    )
