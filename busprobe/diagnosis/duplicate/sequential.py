"""The sequential test: which request next, and whether it is enough."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from busprobe.diagnosis.duplicate.collisions import is_collision
from busprobe.diagnosis.duplicate.hypotheses import (
    PRIOR_MORE,
    Background,
    log_more,
    log_one,
    tells,
)
from busprobe.diagnosis.duplicate.observe import Kind, Observation, is_strange, observe
from busprobe.diagnosis.duplicate.questions import (
    SERIAL_OFFSET,
    SERIAL_REGISTERS,
    Question,
    Sort,
    questions,
)
from busprobe.diagnosis.duplicate.serials import WHOLE, SerialPieces, frame_of, serial_text
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.words import evidence_of, manner_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.model.line import Parity
from busprobe.wire import pdu

MS = 1_000_000

# When to stop: sure of more, sure of one, or too long without becoming sure.
SURE_MORE = 0.9999
SURE_ONE = 0.995
FEWEST_ONE = 10
FEWEST_MORE = 3
MOST = 30
# What is enough when no more is asked.
SURE_MORE_AT_LAST = 0.98
SURE_ONE_AT_LAST = 0.98
# A device that answers few requests: fewer answers will do, among so many exchanges.
FEWEST_OF_MANY = 5
MANY = 16
SILENT_AFTER = 4
SILENT_AFTER_WITH_NOISE = 10
# Traffic of a foreign master says nothing; so many exchanges in all.
MOST_WITH_STRANGERS = 60

# A second meter may be up to a few hundred milliseconds slower than the first (meter manuals: up to
# 300 ms); later requests need not wait for it again.
_LONG_LINGER_NS = 320 * MS
_SHORT_LINGER_NS = 90 * MS
_LONG_LINGERS = 4
_LISTEN_NS = 700 * MS
# Later requests wait for the latest answer so far, and this much longer.
_LATER_NS = 150 * MS
_LATER_FACTOR = 1.3
_GAPS_NS = (20 * MS, 100 * MS, 500 * MS)

# Once a foreign master was heard, what lies beside answers may be its traffic, and other contents
# may be answers to it: the address stays undecided until the line is ours.
_MOST_BESIDE_FOREIGN = 3.0

# Chance of a different content of fixed registers with one device: a damaged answer whose CRC fits.
_LOG_IDENTITY_ONCE = math.log(1e4)
_LOG_IDENTITY_TWICE = math.log(1e8)
# An answer that met itself: noise makes one of the few hundred looks of it hardly ever.
_LOG_COLLISION = math.log(1e3)
_MOST_COLLISIONS = 3
# Readings that jump to and fro together may be those of two devices: so many registers, so many
# jumps, so much wider than what they do otherwise. A load that pulses does it too.
_LOG_JUMPING = math.log(100.0)
_FEWEST_JUMPING = 4
_FEWEST_JUMPS = 2
_JUMP_FACTOR = 4
_LEAST_JUMP = 8
# Whole answers that "single" needs, as a share of what was heard.
_LEAST_WHOLE = 0.25


@dataclass
class DuplicateTest:
    """Decides whether more than one device answers at an address.

    Args:
        address: The address.
        sunspec_base: Where its SunSpec map starts; None when it has none.
        function: Function code of the reads.
        background: What other addresses of the line show.
        readings: Register of the ID of its SunSpec meter model, None where that is not known.
        parity: Of the line.
    """

    address: int
    sunspec_base: int | None
    function: int = 3
    background: Background = field(default_factory=Background)
    readings: int | None = None
    parity: Parity = Parity.NONE
    _taken: list[tuple[Question, Observation]] = field(default_factory=list)
    _pieces_taken: list[tuple[int, Observation]] = field(default_factory=list)
    _pending: Question | int | None = None
    _known: dict[bytes, set[bytes]] = field(default_factory=dict)
    _held_back: bytes = b""
    _gap: int = 0
    _gap_is_innocent: bool = False
    _foreign: bool = False
    _latest_ns: int = 0
    _slowest_ns: int = 0
    _log_odds: float = math.log(PRIOR_MORE / (1 - PRIOR_MORE))

    def __post_init__(self) -> None:
        self._rotation = questions(self.sunspec_base, self.function, self.readings)
        self._serials = SerialPieces(self.address, self.function, self.parity)

    @property
    def probability_two(self) -> float:
        """Posterior probability of more than one device."""
        return 1 / (1 + math.exp(-max(-700.0, min(700.0, self._log_odds))))

    # Asking ----------------------------------------------------------------------------------

    def next_request(self) -> Probe | None:
        """The next request, or None when the test has ended."""
        if self._decided():
            return self._next_piece()
        count = len(self._taken)
        question = self._rotation[count % len(self._rotation)]
        self._pending = question
        return Probe(
            question.pdu,
            self._listen_ns,
            _LONG_LINGER_NS if count < _LONG_LINGERS else _SHORT_LINGER_NS,
            _GAPS_NS[self._gap],
            f"address {self.address}: reading {question.purpose}",
        )

    def _next_piece(self) -> Probe | None:
        """One more register of a serial number that is still hidden."""
        if self.sunspec_base is None or not self._is_more():
            return None
        register = self._serials.next_register()
        if register is None:
            return None
        self._pending = register
        first, count = (0, SERIAL_REGISTERS) if register == WHOLE else (register, 1)
        return Probe(
            pdu.read_registers(self.function, self.sunspec_base + SERIAL_OFFSET + first, count),
            self._listen_ns,
            max(_SHORT_LINGER_NS // 3, self._slowest_ns),
            _GAPS_NS[self._gap],
            f"address {self.address}: reading the serial number piece by piece",
        )

    @property
    def _listen_ns(self) -> int:
        """How long to wait for a first byte."""
        recent = [o for _, o in self._taken[-2:]]
        if len(self._taken) < _LONG_LINGERS or any(o.kind is Kind.SILENT for o in recent):
            return _LISTEN_NS
        return min(_LISTEN_NS, round(_LATER_FACTOR * self._latest_ns) + _LATER_NS)

    def _heard(self) -> list[Observation]:
        told = (o for _, o in self._taken)
        return [o for o in told if o.kind not in (Kind.SILENT, Kind.STRANGE)]

    @property
    def _useful(self) -> int:
        return sum(o.kind is not Kind.STRANGE for _, o in self._taken)

    @property
    def _at_last(self) -> bool:
        return self._useful >= MOST or len(self._taken) >= MOST_WITH_STRANGERS

    def _is_more(self) -> bool:
        sure = SURE_MORE_AT_LAST if self._at_last else SURE_MORE
        return self.probability_two >= sure and len(self._heard()) >= FEWEST_MORE

    def _is_one(self) -> bool:
        sure = SURE_ONE_AT_LAST if self._at_last else SURE_ONE
        few = FEWEST_OF_MANY if len(self._taken) >= MANY else FEWEST_ONE
        heard = self._heard()
        whole = sum(bool(o.contents) for o in heard)
        return (
            1 - self.probability_two >= sure
            and len(heard) >= few
            and whole >= _LEAST_WHOLE * len(heard)
        )

    def _is_silent(self) -> bool:
        """Whether nobody answers; noise alone is no answer."""
        if any(o.kind is not Kind.SILENT for _, o in self._taken):
            return False
        noisy = any(o.head for _, o in self._taken)
        return len(self._taken) >= (SILENT_AFTER_WITH_NOISE if noisy else SILENT_AFTER)

    def _decided(self) -> bool:
        """Whether the test proper has ended."""
        return self._is_silent() or self._at_last or self._is_more() or self._is_one()

    # Taking ----------------------------------------------------------------------------------

    def take(self, exchange: Exchange, stray: Sequence[Frame | Unframed] = ()) -> None:
        """Take the exchange that was asked for.

        Args:
            exchange: It.
            stray: What was heard after it, before anything else was sent.

        Raises:
            ValueError: No request was pending.
        """
        pending, self._pending = self._pending, None
        if pending is None:
            raise ValueError("no request was pending")
        request = exchange.request.pdu
        whole = [
            p
            for p in (*exchange.pieces, *stray)
            if isinstance(p, Frame) and p.address == self.address and pdu.matches(request, p.pdu)
        ]
        known: set[bytes] = set()
        certain = b""
        if isinstance(pending, Question):
            if pending.serial:
                known |= self._known.get(request, set())
            if pending.data:
                certain = frame_of(self.address, self.function, pending.data)
                known.add(certain)
        seen = _with_late(observe(exchange, known, self._held_back, certain, self.parity), whole)
        self._known.setdefault(request, set()).update(frame.raw for frame in whole)
        self._held_back = seen.head if seen.kind is Kind.CUT else b""
        self._foreign = self._foreign or any(
            is_strange(p, exchange.request) for p in (*exchange.pieces, *stray)
        )
        if exchange.turnaround_ns is not None and seen.kind is not Kind.SILENT:
            self._latest_ns = max(self._latest_ns, exchange.turnaround_ns)
        if isinstance(pending, int):
            self._pieces_taken.append((pending, seen))
            if pending == WHOLE:
                self._serials.take_whole(seen)
            else:
                self._serials.take_register(pending, seen)
            return
        if len(whole) > 1:
            self._slowest_ns = max(self._slowest_ns, whole[1].t_start_ns - whole[0].t_end_ns)
        if seen.kind is Kind.SILENT and self._taken:
            self._change_gap()
        self._taken.append((pending, seen))
        if pending.serial:
            self._serials.take_whole(seen)
        self._leave_sunspec()
        self._weigh()

    def _change_gap(self) -> None:
        """Give a device a longer rest before the next request, unless that does not help."""
        if self._gap_is_innocent:
            return
        self._gap += 1
        if self._gap == len(_GAPS_NS):
            self._gap, self._gap_is_innocent = 0, True

    def _leave_sunspec(self) -> None:
        """Ask for other registers when the supposed map turns out not to be there."""
        if self.sunspec_base is None or len(self._taken) != FEWEST_MORE:
            return
        contents = [c for _, o in self._taken for c in o.contents]
        if contents and all(len(c) == 1 for c in contents):
            # Nothing but exceptions: they are short, and all alike.
            self.sunspec_base = None
            self._rotation = questions(None, self.function, None)

    # Weighing --------------------------------------------------------------------------------

    def _counts(self) -> tuple[Counter[tuple[Sort, Kind]], Counter[tuple[Sort, Kind]]]:
        """Exchanges by sort and kind, and those of them about the serial number."""
        refused = {q.pdu for q, o in self._taken for c in o.contents if len(c) == 1}
        counts: Counter[tuple[Sort, Kind]] = Counter()
        serials: Counter[tuple[Sort, Kind]] = Counter()
        for question, seen in self._taken:
            kind = tells(seen.kind)
            if kind is None:
                continue
            # Refusals are short, and the same from any device.
            sort = Sort.SHORT if question.pdu in refused else question.sort
            counts[sort, kind] += 1
            if question.serial and sort is Sort.UNLIKE:
                serials[sort, kind] += 1
        return counts, serials

    def _collisions(self) -> int:
        """How often the one answer that any device gives was heard as it meets itself."""
        return sum(
            is_collision(o.head, frame_of(self.address, self.function, q.data), self.parity)
            for q, o in self._taken
            if q.data and not o.contents and o.kind not in (Kind.SILENT, Kind.STRANGE, Kind.CUT)
        )

    def _weigh(self) -> None:
        counts, serials = self._counts()
        identity, same_again = self._identity()
        kinds = log_more(counts, serials, self.background, same_again) - log_one(
            counts, self.background
        )
        collided = min(_MOST_COLLISIONS, self._collisions()) * _LOG_COLLISION
        evidence = kinds + identity + collided
        if self._foreign:
            evidence = min(evidence, _MOST_BESIDE_FOREIGN)
        self._log_odds = math.log(PRIOR_MORE / (1 - PRIOR_MORE)) + evidence

    def _identity(self) -> tuple[float, int]:
        """Evidence from fixed registers that gave different whole answers, or the same again."""
        strongest, same_again = 0.0, 0
        for question in {q.pdu: q for q, _ in self._taken}.values():
            contents = [
                content
                for q, o in self._taken
                if q.pdu == question.pdu and o.kind is not Kind.STRANGE
                for content in o.contents
            ]
            if not question.fixed:
                if jumps_together(contents):
                    strongest = max(strongest, _LOG_JUMPING)
                continue
            seen = Counter(contents)
            if len(seen) == 1 and question.serial:
                same_again = seen.total() - 1
            if len(seen) < 2:
                continue
            second = seen.most_common(2)[1][1]
            strongest = max(strongest, _LOG_IDENTITY_TWICE if second > 1 else _LOG_IDENTITY_ONCE)
        return strongest, 0 if strongest else same_again

    # Telling ---------------------------------------------------------------------------------

    @property
    def verdict(self) -> DuplicateVerdict:
        """What is known so far."""
        observations = [o for _, o in self._taken]
        two = self.probability_two
        serials = tuple(dict.fromkeys(t for t in map(serial_text, self._serials.serials) if t))
        manner = ""
        if all(o.kind is Kind.SILENT for o in observations):
            verdict, probability = "silent", 1.0 if self._is_silent() else 0.9
        elif self._is_more():
            verdict, probability = "duplicate", two
            manner = manner_of(observations, len(serials))
        elif self._is_one():
            verdict, probability = "single", 1 - two
        else:
            verdict, probability = "undecided", two
        return DuplicateVerdict(
            self.address,
            verdict,
            probability,
            len(observations) + len(self._pieces_taken),
            serials,
            evidence_of(
                observations,
                [o for _, o in self._pieces_taken],
                serials,
                self._serials.fragment if verdict == "duplicate" else b"",
                serial_text(self._serials.common) if verdict == "duplicate" else "",
                self.background,
            ),
            manner,
        )


def _with_late(seen: Observation, whole: Sequence[Frame]) -> Observation:
    """Count answers that came after the exchange was over."""
    if not seen.contents or len(whole) <= len(seen.contents):
        return seen
    return replace(seen, kind=Kind.TWO, contents=tuple(frame.pdu[1:] for frame in whole))


def jumps_together(contents: Sequence[bytes]) -> bool:
    """Whether readings jump to and fro between two sets of values.

    Args:
        contents: Answers to one request, in order: byte count and registers.
    """
    size = max((len(c) for c in contents), default=0)
    rows = [c for c in contents if len(c) == size]
    patterns: Counter[tuple[bool, ...]] = Counter()
    for place in range(1, size - 1, 2):
        values = [int.from_bytes(row[place : place + 2], "big") for row in rows]
        border = _border(values)
        if border is not None:
            patterns[tuple((v < border) == (values[0] < border) for v in values)] += 1
    return any(
        registers >= _FEWEST_JUMPING and sum(a != b for a, b in pairwise(pattern)) >= _FEWEST_JUMPS
        for pattern, registers in patterns.items()
    )


def _border(values: Sequence[int]) -> float | None:
    """What parts values into two narrow groups far apart, None where nothing does."""
    ordered = sorted(values)
    if len(ordered) < 2:
        return None
    gap, place = max((b - a, i) for i, (a, b) in enumerate(pairwise(ordered)))
    inside = max(ordered[place] - ordered[0], ordered[-1] - ordered[place + 1])
    if gap < max(_LEAST_JUMP, _JUMP_FACTOR * inside):
        return None
    return (ordered[place] + ordered[place + 1]) / 2
