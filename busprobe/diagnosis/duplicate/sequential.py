"""The sequential test: which request next, and whether it is enough."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.duplicate.alone import (
    NOT_BY_ADAPTER,
    clean,
    log_cleaner,
    log_others,
    others,
)
from busprobe.diagnosis.duplicate.cut import as_if_cut
from busprobe.diagnosis.duplicate.hypotheses import (
    PRIOR_MORE,
    Background,
    Who,
    log_more,
    log_one,
    probability,
    tells,
)
from busprobe.diagnosis.duplicate.identity import log_identity
from busprobe.diagnosis.duplicate.margins import SURELY_UNDERSTOOD, MarginSearch
from busprobe.diagnosis.duplicate.observe import Kind, Observation, switching_of
from busprobe.diagnosis.duplicate.questions import (
    SERIAL_OFFSET,
    SERIAL_REGISTERS,
    Question,
    Sort,
    questions,
)
from busprobe.diagnosis.duplicate.reading import Reader, pause_ns
from busprobe.diagnosis.duplicate.serials import WHOLE, SerialPieces, serial_text
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.words import AtLimit, evidence_of, evidence_of_limits, manner_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.model.line import Parity
from busprobe.wire import pdu

MS = 1_000_000

# When to stop: sure of more; sure that further exchanges would not show more; or too long without
# becoming sure.
SURE_MORE = 0.9999
SURE_OF_NO_MORE_TO_TELL = 0.9995
FEWEST_ONE = 6
FEWEST_MORE = 3
MOST = 30
# What is enough to say so when no more is asked.
SURE_MORE_AT_LAST = 0.96
SURE_ONE_AT_LAST = 0.96
# The same where no answer was whole, not even at the limits of understanding.
SURE_ONE_IN_PIECES = 0.998
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
_SHORT_LINGER_NS = 60 * MS
_LONG_LINGERS = 1
_DOUBTFUL = -3.0
_LISTEN_NS = 700 * MS
# A device that is slow now and then (inverters and gateways need up to a second) gets more.
_PATIENT_NS = 1_500 * MS
_SLOW_NS = 250 * MS
# Later requests wait for the latest answer so far, and this much longer.
_LATER_NS = 150 * MS
_LATER_FACTOR = 1.3
# At the limits of understanding silence is expected, and not waited for long.
_MARGIN_FACTOR = 1.1
_MARGIN_NS = 15 * MS
# An answer of somebody else is asked for again.
_MOST_AGAIN = 3
_MOST_MARGINS = 40
_MARGIN_GAP_NS = 10 * MS
_GAPS_NS = (20 * MS, 100 * MS, 500 * MS)

# Once a foreign master was heard, what lies beside answers may be its traffic, and other contents
# may be answers to it: the address stays undecided until the line is ours.
_MOST_BESIDE_FOREIGN = 3.0
# The same where one device and a driver explain the damage.
_MOST_BESIDE_CUT = 2.0

# Share of whole answers from which on a line damages few.
_SOUND = 0.8
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
        margins: Whether requests may be sent at a rate that is a little off.
    """

    address: int
    sunspec_base: int | None
    function: int = 3
    background: Background = field(default_factory=Background)
    readings: int | None = None
    parity: Parity = Parity.NONE
    margins: bool = False
    _taken: list[tuple[Question, Observation]] = field(default_factory=list)
    _pieces_taken: list[tuple[int, Observation]] = field(default_factory=list)
    _margins_taken: list[tuple[Question, Observation]] = field(default_factory=list)
    _inside: list[Observation] = field(default_factory=list)
    _outside: list[Observation] = field(default_factory=list)
    _pending: Question | int | None = None
    _pending_margin: bool = False
    _offset: float = 0.0
    _offsets: list[float] = field(default_factory=list)
    _again: int = 0
    _gap: int = 0
    _gap_is_innocent: bool = False
    _latest_ns: int = 0
    _slowest_ns: int = 0
    _damaged_from_ns: int = 1_000 * MS
    _pause_ns: int = 0
    _log_odds: float = math.log(PRIOR_MORE / (1 - PRIOR_MORE))
    _log_odds_to_tell: float = math.log(PRIOR_MORE / (1 - PRIOR_MORE))

    def __post_init__(self) -> None:
        self._rotation = questions(self.sunspec_base, self.function, self.readings)
        self._reader = Reader(self.address, self.function, self.parity)
        self._serials = SerialPieces(self.address, self.function, self.parity)
        self._margins = MarginSearch()

    @property
    def probability_two(self) -> float:
        """Posterior probability of more than one device."""
        return probability(self._log_odds)

    # Asking ----------------------------------------------------------------------------------

    def next_request(self) -> Probe | None:
        """The next request, or None when the test has ended."""
        if (margin := self._next_margin()) is not None:
            return margin
        if self._decided():
            return self._next_piece()
        count = len(self._taken)
        question = self._rotation[count % len(self._rotation)]
        self._pending = question
        return Probe(
            question.pdu,
            self._listen_ns,
            self._linger_ns,
            _GAPS_NS[self._gap],
            f"address {self.address}: reading {question.purpose}",
        )

    def _next_margin(self) -> Probe | None:
        """A request that only one of two devices may understand."""
        if not self._wants_margins():
            return None
        offset = self._offset if self._again else self._margins.next_offset()
        if offset is None:
            return None
        self._offset = offset
        self._pending = next(q for q in self._rotation if q.sort is Sort.UNLIKE)
        self._pending_margin = True
        return Probe(
            self._pending.pdu,
            round(_MARGIN_FACTOR * self._latest_ns) + _MARGIN_NS + self._pause_ns,
            0,
            _GAPS_NS[self._gap] if self._gap else _MARGIN_GAP_NS,
            f"address {self.address}: asking at a rate that is {100 * offset:+.2f} % off",
            offset,
        )

    def _wants_margins(self) -> bool:
        """Whether hearing one device alone would tell something."""
        ended = self._is_silent() or len(self._margins_taken) >= _MOST_MARGINS
        if not self.margins or self._reader.foreign or ended:
            return False
        soon = len(self._heard()) >= FEWEST_ONE or self._decided()
        return soon and (len(self._serials.serials) < 2 or bool(self._again))

    def give_up_margins(self) -> None:
        """The link does not take other rates."""
        self._pending, self._pending_margin = None, False
        self.margins = False

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
    def _linger_ns(self) -> int:
        """How long to listen for a second answer; long again where one seems to be about."""
        count = len(self._taken)
        doubtful = count >= FEWEST_ONE and self._log_odds > _DOUBTFUL
        return _LONG_LINGER_NS if count < _LONG_LINGERS or doubtful else _SHORT_LINGER_NS

    @property
    def _listen_ns(self) -> int:
        """How long to wait for a first byte."""
        if self._latest_ns > _SLOW_NS and any(o.kind is Kind.SILENT for _, o in self._taken):
            return _PATIENT_NS
        recent = [o for _, o in self._taken[-2:]]
        if len(self._taken) < _LONG_LINGERS or any(o.kind is Kind.SILENT for o in recent):
            return _LISTEN_NS
        return min(_PATIENT_NS, round(_LATER_FACTOR * self._latest_ns) + _LATER_NS)

    def _heard(self) -> list[Observation]:
        told = (o for _, o in self._taken)
        return [o for o in told if tells(o.kind) is not None]

    @property
    def _at_last(self) -> bool:
        useful = sum(o.kind is not Kind.STRANGE for _, o in self._taken)
        return useful >= MOST or len(self._taken) >= MOST_WITH_STRANGERS

    def _is_more(self) -> bool:
        sure = SURE_MORE_AT_LAST if self._at_last else SURE_MORE
        return self.probability_two >= sure and len(self._heard()) >= FEWEST_MORE

    def _is_one(self) -> bool:
        few = FEWEST_OF_MANY if len(self._taken) >= MANY else FEWEST_ONE
        enough = self._at_last or (
            probability(self._log_odds_to_tell) <= 1 - SURE_OF_NO_MORE_TO_TELL
        )
        return (
            enough
            and 1 - self.probability_two >= SURE_ONE_AT_LAST
            and len(self._heard()) >= few
            and (self._least_whole() or self._in_pieces())
        )

    def _in_pieces(self) -> bool:
        """Whether one device would explain that no answer is whole at any rate."""
        searched = self._margins.done and not self._margins.given_up
        return searched and 1 - self.probability_two >= SURE_ONE_IN_PIECES

    def _least_whole(self) -> bool:
        heard = self._heard()
        return sum(bool(o.contents) for o in heard) >= _LEAST_WHOLE * len(heard)

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
        question = pending if isinstance(pending, Question) else None
        seen = self._reader.read(question, exchange, stray, may_be_silent=self._pending_margin)
        if exchange.answer is not None:
            self._pause_ns = max(self._pause_ns, pause_ns(exchange.answer, exchange.request))
        if seen.turnarounds_ns:
            self._latest_ns = max(self._latest_ns, seen.turnarounds_ns[0])
        elif exchange.turnaround_ns is not None and tells(seen.kind):
            self._latest_ns = max(self._latest_ns, exchange.turnaround_ns)
            self._damaged_from_ns = min(self._damaged_from_ns, exchange.turnaround_ns)
        if self._pending_margin and isinstance(pending, Question):
            self._pending_margin = False
            self._take_margin(pending, seen)
            return
        if isinstance(pending, int):
            self._pieces_taken.append((pending, seen))
            if pending == WHOLE:
                self._serials.take_whole(seen)
            else:
                self._serials.take_register(pending, seen)
            return
        if len(seen.turnarounds_ns) > 1:
            after = seen.turnarounds_ns[1] - seen.turnarounds_ns[0]
            self._slowest_ns = max(self._slowest_ns, after)
        if seen.kind is Kind.SILENT and self._taken:
            self._change_gap()
        self._taken.append((pending, seen))
        if pending.serial:
            self._serials.take_whole(seen)
        self._leave_sunspec()
        self._weigh()

    def _take_margin(self, question: Question, seen: Observation) -> None:
        """Go on, or ask once more where somebody else was heard."""
        before = self._heard_of_others()
        if not self._again:
            self._margins.take(seen.kind not in (Kind.SILENT, Kind.BABBLE, Kind.LATE))
        self._margins_taken.append((question, seen))
        self._offsets.append(self._offset)
        if tells(seen.kind):
            (self._outside if abs(self._offset) > SURELY_UNDERSTOOD else self._inside).append(seen)
        if question.serial:
            self._serials.take_whole(seen)
        self._weigh()
        if self._again:
            self._again = 0 if self._is_more() else self._again - 1
        elif self._heard_of_others() > before and not self._is_more():
            self._again = _MOST_AGAIN

    def _heard_of_others(self) -> int:
        return max(0, len(self._serials.serials) - 1) + (self._others() or 0)

    def _asked_like_margins(self) -> list[Observation]:
        """Exchanges with the request of the margins at rates that every device understands."""
        if not self._margins_taken:
            return []
        request = self._margins_taken[0][0].pdu
        return [o for q, o in self._taken if q.pdu == request and tells(o.kind)] + self._inside

    def _others(self) -> int | None:
        """How many answers at the limits hold readings of another device, if any are comparable."""
        if not self._margins_taken or self._margins_taken[0][0].fixed:
            return None
        inside, outside = (
            [c for o in seen for c in o.contents]
            for seen in (self._asked_like_margins(), self._outside)
        )
        return others(inside, outside)

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
        margin = self._margins_taken[0][0] if self._margins_taken else None
        inside = [(margin, o) for o in self._inside if margin and o.kind in NOT_BY_ADAPTER]
        switching = switching_of([o for _, o in self._taken])
        for question, seen in (*self._taken, *inside):
            kind = tells(Kind.CLEAN if (seen.head, seen.tail) == switching else seen.kind)
            if kind is None:
                continue
            # Refusals are short, and the same from any device.
            sort = Sort.SHORT if question.pdu in refused else question.sort
            counts[sort, kind] += 1
            if question.serial and sort is Sort.UNLIKE:
                serials[sort, kind] += 1
        return counts, serials

    def _at_limits(self) -> Counter[tuple[Sort, Kind]]:
        """Exchanges at the limits of understanding."""
        kinds = (tells(o.kind) for o in self._outside if o.kind in NOT_BY_ADAPTER)
        return Counter((Sort.UNLIKE, kind) for kind in kinds if kind)

    def _weigh(self) -> None:
        counts, serials = self._counts()
        heard = self._heard()
        sound = sum(bool(o.contents) for o in heard) >= _SOUND * len(heard)
        identity, same_again = log_identity((*self._taken, *self._margins_taken), sound=sound)
        heard_at_margins = sum(bool(o.contents) for o in self._outside)
        alone = self._margins.done and not self._margins.given_up and heard_at_margins > 2
        elsewhere = self._others()
        the_same = bool(same_again) if elsewhere is None else not elsewhere
        inside = self._asked_like_margins()
        beside = log_others(elsewhere or 0)
        if inside and clean(self._outside)[0]:
            beside += log_cleaner(clean(inside), clean(self._outside))
        at_limits = self._at_limits()
        one = log_one(counts + at_limits, self.background)
        prior = math.log(PRIOR_MORE / (1 - PRIOR_MORE))
        odds = []
        who = Who(same_again, the_same and alone)
        everything = (*self._taken, *self._margins_taken)
        most = (
            _MOST_BESIDE_CUT
            if as_if_cut(everything, self.address, self.function, self._damaged_from_ns)
            else math.inf
        )
        for more in log_more(counts, serials, self.background, who, at_limits):
            evidence = min(more - one, most) + (max(identity, beside) if identity else beside)
            if self._reader.foreign:
                evidence = min(evidence, _MOST_BESIDE_FOREIGN)
            odds.append(prior + evidence)
        self._log_odds, self._log_odds_to_tell = odds

    # Telling ---------------------------------------------------------------------------------

    @property
    def verdict(self) -> DuplicateVerdict:
        """What is known so far."""
        observations = [o for _, o in self._taken]
        two = self.probability_two
        serials = tuple(dict.fromkeys(t for t in map(serial_text, self._serials.serials) if t))
        manner = ""
        limits = self._limits()
        if all(o.kind is Kind.SILENT for o in observations):
            verdict, stated = "silent", 1.0 if self._is_silent() else 0.9
        elif self._is_more():
            verdict, stated = "duplicate", two
            manner = manner_of(
                observations, len(serials), only_at_limits=self._is_hidden(serials, limits)
            )
        elif self._is_one():
            verdict, stated = "single", 1 - two
        else:
            verdict, stated = "undecided", two
        return DuplicateVerdict(
            self.address,
            verdict,
            stated,
            len(observations) + len(self._margins_taken) + len(self._pieces_taken),
            serials,
            evidence_of(
                observations,
                [o for _, o in self._pieces_taken],
                serials,
                self._serials.fragment if verdict == "duplicate" else b"",
                serial_text(self._serials.common) if verdict == "duplicate" else "",
                self.background,
            )
            + evidence_of_limits(limits, serials),
            manner,
        )

    def _limits(self) -> list[AtLimit]:
        """Whole answers at rates that not every device understands."""
        return [
            AtLimit(
                seen.number,
                offset,
                serial_text(seen.contents[0][1:]) if question.serial else "",
            )
            for (question, seen), offset in zip(self._margins_taken, self._offsets, strict=True)
            if seen.kind in (Kind.CLEAN, Kind.FLANKED) and abs(offset) > SURELY_UNDERSTOOD
        ]

    def _is_hidden(self, serials: Sequence[str], limits: Sequence[AtLimit]) -> bool:
        """Whether a serial number was heard at the limits alone."""
        usual = {
            serial_text(content[1:])
            for question, seen in self._taken
            if question.serial
            for content in seen.contents
        }
        at_limits = {heard.serial for heard in limits}
        return any(serial in at_limits and serial not in usual for serial in serials)
