"""Overheard frames to a table of devices and the habits of the master."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from busprobe.wire.pairing import Ending, Transaction, pair
from busprobe.wire.rtu import Piece


@dataclass(frozen=True, slots=True)
class TimedPiece:
    """A piece of what was heard, with its time as well as the link tells it.

    Bytes of no frame are one piece as long as the line does not pause.

    Attributes:
        piece: Frame, or bytes of no frame.
        start_ns: Start of its first character, at the latest [ns].
        end_ns: End of its last character, at the latest [ns].
    """

    piece: Piece
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class HeardDevice:
    """What was overheard about one address.

    Attributes:
        address: The address.
        requests: Requests to it.
        answers: Responses from it, exceptions included.
        functions: Function codes asked or answered.
        errors: Requests whose answer was damaged, did not fit, or was an exception.
        exceptions: Of the answers, exceptions.
        unanswered: Requests after which nothing was heard, or strays only.
        strays: Of those, requests after which a few stray bytes were heard, too few for an answer.
        poll_s: Usual time from a request to the same one again [s], None with fewer than two.
        turnaround_ms: Usual time from request to answer [ms], None without a pair.
    """

    address: int
    requests: int
    answers: int
    functions: tuple[int, ...]
    errors: int
    exceptions: int
    unanswered: int
    poll_s: float | None
    turnaround_ms: float | None
    strays: int = 0


@dataclass(frozen=True, slots=True)
class Conversation:
    """Everything overheard at one setting.

    Attributes:
        devices: By address.
        poll_s: Usual time of a poll [s]: from a request to the same one again.
        frames: Whole frames.
        junk_bytes: Bytes of no frame.
        pairs: Requests with a response that fits.
        broadcasts: Requests to address 0.
        transactions: All, in order.
        pieces: What it was made of.
    """

    devices: tuple[HeardDevice, ...] = ()
    poll_s: float | None = None
    frames: int = 0
    junk_bytes: int = 0
    pairs: int = 0
    broadcasts: int = 0
    transactions: tuple[Transaction, ...] = ()
    pieces: tuple[TimedPiece, ...] = ()

    @property
    def master_seen(self) -> bool:
        """Whether somebody else is polling.

        A request with its response proves it; two whole frames make it likely enough that nobody
        should talk into them.
        """
        return self.pairs > 0 or self.frames >= 2


@dataclass
class _Device:
    requests: int = 0
    answers: int = 0
    exceptions: int = 0
    errors: int = 0
    unanswered: int = 0
    strays: int = 0
    functions: set[int] = field(default_factory=set)
    turnarounds_ms: list[float] = field(default_factory=list)
    asked_at: dict[bytes, list[int]] = field(default_factory=dict)

    def poll_s(self) -> float | None:
        gaps = [
            (later - earlier) / 1e9
            for times in self.asked_at.values()
            for earlier, later in pairwise(times)
        ]
        return round(median(gaps), 4) if gaps else None


# The shortest answer, an exception, has so many bytes.
FEWEST_OF_AN_ANSWER = 5
_FAILED = (Ending.DAMAGED, Ending.MISMATCHED, Ending.EXCEPTION)


def conversation_of(pieces: Sequence[TimedPiece]) -> Conversation:
    """Pair what was heard and count it."""
    times = {timed.piece.offset: timed for timed in pieces}
    transactions = pair(timed.piece for timed in pieces)
    devices: dict[int, _Device] = {}
    for transaction in transactions:
        if transaction.ending is Ending.BROADCAST:
            continue
        device = devices.setdefault(transaction.address, _Device())
        _count(device, transaction, times)
        response = transaction.response
        if transaction.ending is Ending.MISMATCHED and response is not None:
            # It names its sender all the same.
            sender = devices.setdefault(response.address, _Device())
            sender.answers += 1
            sender.functions.add(response.pdu[0] & 0x7F)
    gaps = Counter[float]()
    for device in devices.values():
        poll = device.poll_s()
        if poll is not None:
            gaps[poll] += device.requests
    frames = sum(timed.piece.framed for timed in pieces)
    return Conversation(
        tuple(
            HeardDevice(
                address,
                d.requests,
                d.answers,
                tuple(sorted(d.functions)),
                d.errors,
                d.exceptions,
                d.unanswered,
                d.poll_s(),
                round(median(d.turnarounds_ms), 2) if d.turnarounds_ms else None,
                d.strays,
            )
            for address, d in sorted(devices.items())
        ),
        gaps.most_common(1)[0][0] if gaps else None,
        frames,
        sum(len(timed.piece.data) for timed in pieces if not timed.piece.framed),
        sum(
            t.request is not None and t.ending in (Ending.ANSWERED, Ending.EXCEPTION)
            for t in transactions
        ),
        sum(t.ending is Ending.BROADCAST for t in transactions),
        transactions,
        tuple(pieces),
    )


def _strays_only(transaction: Transaction) -> bool:
    """Whether all that followed a request is too short for an answer, wherever it was damaged."""
    if transaction.ending is not Ending.DAMAGED:
        return False
    address = bytes((transaction.address,))
    return all(
        len(run.data) < FEWEST_OF_AN_ANSWER and run.data[:1] != address for run in transaction.junk
    )


def _count(device: _Device, transaction: Transaction, times: dict[int, TimedPiece]) -> None:
    request, response = transaction.request, transaction.response
    if request is not None:
        device.requests += 1
        device.functions.add(request.pdu[0] & 0x7F)
        device.asked_at.setdefault(request.pdu, []).append(times[request.offset].start_ns)
        stray = _strays_only(transaction)
        device.errors += transaction.ending in _FAILED and not stray
        device.unanswered += transaction.ending is Ending.UNANSWERED or stray
        device.strays += stray
    if response is None or transaction.ending is Ending.MISMATCHED:
        return
    device.answers += 1
    device.functions.add(response.pdu[0] & 0x7F)
    device.exceptions += transaction.ending is Ending.EXCEPTION
    if request is not None:
        waited = times[response.offset].start_ns - times[request.offset].end_ns
        # A chunk with both in it says nothing of the time between them.
        if waited > 0:
            device.turnarounds_ms.append(waited / 1e6)
