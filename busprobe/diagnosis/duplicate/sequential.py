"""The sequential test: which request next, and whether it is enough."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from busprobe.diagnosis.duplicate.hypotheses import (
    PRIOR_MORE,
    Background,
    log_more,
    log_one,
)
from busprobe.diagnosis.duplicate.observe import Kind, Observation, observe
from busprobe.diagnosis.duplicate.questions import (
    SERIAL_OFFSET,
    Question,
    Sort,
    questions,
)
from busprobe.diagnosis.duplicate.serials import SerialPieces, serial_text
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.words import evidence_of, manner_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.wire import pdu

MS = 1_000_000

# When to stop: sure of more, sure of one, or too long without becoming sure.
SURE_MORE = 0.9995
SURE_ONE = 0.995
FEWEST_ONE = 10
FEWEST_MORE = 3
MOST = 40
SILENT_AFTER = 4
# Traffic of a foreign master says nothing; so many exchanges in all.
MOST_WITH_STRANGERS = 60

# A second meter may be up to a few hundred milliseconds slower than the first (meter manuals: up to
# 300 ms); later requests need not wait for it again.
_LONG_LINGER_NS = 320 * MS
_SHORT_LINGER_NS = 90 * MS
_LONG_LINGERS = 4
_LISTEN_NS = 700 * MS
_GAPS_NS = (20 * MS, 100 * MS, 500 * MS)

# Chance of a different content of fixed registers with one device: a damaged answer whose CRC fits.
_LOG_IDENTITY_ONCE = math.log(1e4)
_LOG_IDENTITY_TWICE = math.log(1e8)


@dataclass
class DuplicateTest:
    """Decides whether more than one device answers at an address.

    Args:
        address: The address.
        sunspec_base: Where its SunSpec map starts; None when it has none.
        function: Function code of the reads.
        background: What other addresses of the line show.
        readings: Register of the ID of its SunSpec meter model, None where that is not known.
    """

    address: int
    sunspec_base: int | None
    function: int = 3
    background: Background = field(default_factory=Background)
    readings: int | None = None
    _taken: list[tuple[Question, Observation]] = field(default_factory=list)
    _pieces_taken: list[tuple[int, Observation]] = field(default_factory=list)
    _pending: Question | int | None = None
    _known: dict[bytes, set[bytes]] = field(default_factory=dict)
    _held_back: bytes = b""
    _gap: int = 0
    _slowest_ns: int = 0
    _log_odds: float = math.log(PRIOR_MORE / (1 - PRIOR_MORE))

    def __post_init__(self) -> None:
        self._rotation = questions(self.sunspec_base, self.function, self.readings)
        self._serials = SerialPieces(self.address, self.function)

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
            _LISTEN_NS,
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
        return Probe(
            pdu.read_registers(self.function, self.sunspec_base + SERIAL_OFFSET + register, 1),
            _LISTEN_NS,
            max(_SHORT_LINGER_NS // 3, self._slowest_ns),
            _GAPS_NS[self._gap],
            f"address {self.address}: reading the serial number piece by piece",
        )

    def _heard(self) -> list[Observation]:
        told = (o for _, o in self._taken)
        return [o for o in told if o.kind not in (Kind.SILENT, Kind.STRANGE)]

    def _is_more(self) -> bool:
        return self.probability_two >= SURE_MORE and len(self._heard()) >= FEWEST_MORE

    def _is_one(self) -> bool:
        return 1 - self.probability_two >= SURE_ONE and len(self._heard()) >= FEWEST_ONE

    def _decided(self) -> bool:
        """Whether the test proper has ended."""
        useful = sum(o.kind is not Kind.STRANGE for _, o in self._taken)
        silent = useful == len(self._taken) and not self._heard()
        if silent and useful >= SILENT_AFTER:
            return True
        if useful >= MOST or len(self._taken) >= MOST_WITH_STRANGERS:
            return True
        return self._is_more() or self._is_one()

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
        fixed = isinstance(pending, Question) and pending.fixed and pending.sort is Sort.UNLIKE
        known = self._known.get(request, ()) if fixed else ()
        seen = _with_late(observe(exchange, known, self._held_back), whole)
        self._known.setdefault(request, set()).update(frame.raw for frame in whole)
        self._held_back = seen.head if seen.kind is Kind.CUT else b""
        if isinstance(pending, int):
            self._pieces_taken.append((pending, seen))
            self._serials.take_register(pending, seen)
            return
        if len(whole) > 1:
            self._slowest_ns = max(self._slowest_ns, whole[1].t_start_ns - whole[0].t_end_ns)
        if seen.kind is Kind.SILENT and self._taken and self._gap < len(_GAPS_NS) - 1:
            self._gap += 1
        self._taken.append((pending, seen))
        if pending.serial:
            self._serials.take_whole(seen)
        self._leave_sunspec()
        self._weigh()

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
            if seen.kind is Kind.STRANGE:
                continue
            # Refusals are short, and the same from any device.
            sort = Sort.SHORT if question.pdu in refused else question.sort
            counts[sort, seen.kind] += 1
            if question.serial and sort is Sort.UNLIKE:
                serials[sort, seen.kind] += 1
        return counts, serials

    def _weigh(self) -> None:
        counts, serials = self._counts()
        identity, same_again = self._identity()
        self._log_odds = (
            math.log(PRIOR_MORE / (1 - PRIOR_MORE))
            + log_more(counts, serials, self.background, same_again)
            - log_one(counts, self.background)
            + identity
        )

    def _identity(self) -> tuple[float, int]:
        """Evidence from fixed registers that gave different whole answers, or the same again."""
        strongest, same_again = 0.0, 0
        for question in {q.pdu: q for q, _ in self._taken if q.fixed}.values():
            seen = Counter(
                content for q, o in self._taken if q.pdu == question.pdu for content in o.contents
            )
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
        if not self._heard() and all(o.kind is Kind.SILENT for o in observations):
            verdict, probability = "silent", 1.0 if len(observations) >= SILENT_AFTER else 0.9
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
                self.background,
            ),
            manner,
        )


def _with_late(seen: Observation, whole: Sequence[Frame]) -> Observation:
    """Count answers that came after the exchange was over."""
    if not seen.contents or len(whole) <= len(seen.contents):
        return seen
    return replace(seen, kind=Kind.TWO, contents=tuple(frame.pdu[1:] for frame in whole))
