"""The sequential test: which request next, and whether it is enough."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.duplicate.behind import Behind
from busprobe.diagnosis.duplicate.cut import as_if_cut
from busprobe.diagnosis.duplicate.hypotheses import Background, probability, tells
from busprobe.diagnosis.duplicate.idle import IdleLine
from busprobe.diagnosis.duplicate.limits import Limits
from busprobe.diagnosis.duplicate.margins import MarginSearch
from busprobe.diagnosis.duplicate.observe import Kind, Observation, is_begun
from busprobe.diagnosis.duplicate.questions import (
    SERIAL_OFFSET,
    SERIAL_REGISTERS,
    Question,
    Sort,
    questions,
)
from busprobe.diagnosis.duplicate.reading import Reader
from busprobe.diagnosis.duplicate.serials import WHOLE, SerialPieces, serial_text
from busprobe.diagnosis.duplicate.steady import Steadiness
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.waiting import Waiting
from busprobe.diagnosis.duplicate.weighing import BEFORE, Odds, weigh
from busprobe.diagnosis.duplicate.words import evidence_of, evidence_of_limits, manner_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.model.finding import Evidence
from busprobe.model.line import Parity
from busprobe.wire import pdu

# When to stop: sure of more; sure that further exchanges would not show more; or too long without
# becoming sure.
SURE_MORE = 0.9999
SURE_OF_NO_MORE_TO_TELL = 0.9995
FEWEST_ONE = 8
FEWEST_MORE = 3
MOST = 30
# What is enough to say so when no more is asked.
SURE_MORE_AT_LAST = 0.96
SURE_ONE_AT_LAST = 0.997
# The same where no answer was whole, not even at the limits of understanding.
SURE_ONE_IN_PIECES = 0.998
# A device that answers few requests: fewer answers will do, among so many exchanges.
FEWEST_OF_MANY = 5
MANY = 16
SILENT_AFTER = 4
SILENT_AFTER_WITH_NOISE = 10
# Traffic of a foreign master says nothing; so many exchanges in all.
MOST_WITH_STRANGERS = 60
# A line that speaks all the time lets nothing be told; further requests would not.
MOST_OF_BABBLE = 10
# From here on a second device seems to be about.
_DOUBTFUL = -3.0
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
    _pending: Question | int | None = None
    _pending_margin: bool = False
    _pending_gap_ns: int = 0
    _waiting: Waiting = field(default_factory=Waiting)
    _odds: Odds = BEFORE

    def __post_init__(self) -> None:
        self._rotation = questions(self.sunspec_base, self.function, self.readings)
        self._reader = Reader(self.address, self.function, self.parity)
        self._serials = SerialPieces(self.address, self.function, self.parity)
        self._idle = IdleLine(self.address)
        self._behind = Behind(self.address)
        self._steadiness = Steadiness()
        self._limits = Limits(MarginSearch(self.parity))

    @property
    def probability_two(self) -> float:
        """Posterior probability of more than one device."""
        return probability(self._odds.more)

    # Asking ----------------------------------------------------------------------------------

    def next_request(self) -> Probe | None:
        """The next request, or None when the test has ended."""
        probe = self._next_margin()
        if probe is None:
            probe = self._next_piece() if self._decided() else self._next_usual()
        if probe is not None:
            self._pending_gap_ns = probe.gap_ns
        return probe

    def _next_usual(self) -> Probe:
        """The next question of the rotation."""
        count = len(self._taken)
        question = self._rotation[count % len(self._rotation)]
        self._pending = question
        doubtful = count >= FEWEST_ONE and self._odds.more > _DOUBTFUL
        return Probe(
            question.pdu,
            self._waiting.listen_ns,
            self._waiting.linger_ns(doubtful=doubtful),
            self._waiting.gap_ns(idle=self._wants_silence()),
            f"address {self.address}: reading {question.purpose}",
        )

    def _wants_silence(self) -> bool:
        """Whether it has to be known if the line speaks by itself."""
        enough = len(self._taken) >= FEWEST_MORE - 1
        return enough and self._odds.more > _DOUBTFUL and not self._is_proved()

    def _is_proved(self) -> bool:
        """Whether nothing that a line does by itself can have made up a second device."""
        return self._odds.proved or self._idle.is_known

    def _next_margin(self) -> Probe | None:
        """A request that only one of two devices may understand."""
        question = next(q for q in self._rotation if q.sort is Sort.UNLIKE)
        if not self._wants_margins():
            return None
        offset = self._limits.next_offset(question, self._taken)
        if offset is None:
            return None
        self._pending = question
        self._pending_margin = True
        return Probe(
            question.pdu,
            self._waiting.margin_listen_ns(question.pdu),
            0,
            self._waiting.margin_gap_ns,
            f"address {self.address}: asking at a rate that is {100 * offset:+.2f} % off",
            offset,
            self._limits.pause_after,
        )

    def _wants_margins(self) -> bool:
        """Whether hearing one device alone would tell something."""
        if not self.margins or self._reader.foreign or self._is_silent() or self._limits.is_over:
            return False
        soon = len(self._heard()) >= FEWEST_ONE or self._decided()
        return soon and (len(self._serials.serials) < 2 or bool(self._limits.again))

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
            self._waiting.listen_ns,
            self._waiting.piece_linger_ns,
            self._waiting.gap_ns(),
            f"address {self.address}: reading the serial number piece by piece",
        )

    # Deciding --------------------------------------------------------------------------------

    def _heard(self) -> list[Observation]:
        told = (o for _, o in self._taken)
        return [o for o in told if tells(o.kind) is not None]

    @property
    def _at_last(self) -> bool:
        kinds = Counter(o.kind for _, o in self._taken)
        useful = kinds.total() - kinds[Kind.STRANGE]
        babbles = useful == kinds[Kind.BABBLE] >= MOST_OF_BABBLE
        return useful >= MOST or babbles or kinds.total() >= MOST_WITH_STRANGERS

    def _is_more(self) -> bool:
        sure = SURE_MORE_AT_LAST if self._at_last else SURE_MORE
        enough = len(self._heard()) >= FEWEST_MORE
        if not enough or self._is_nothing_but_noise():
            return False
        return self.probability_two >= sure and (self._at_last or self._is_proved())

    def _is_nothing_but_noise(self) -> bool:
        """Whether the line is restless, and nothing that was heard is an answer."""
        heard = (*self._taken, *self._limits.taken)
        return self._idle.is_restless and not any(o.contents for _, o in heard)

    def _is_told(self) -> bool:
        """Whether further exchanges would not show more."""
        few = FEWEST_OF_MANY if len(self._taken) >= MANY else FEWEST_ONE
        told = probability(self._odds.more_to_tell) <= 1 - SURE_OF_NO_MORE_TO_TELL
        return len(self._heard()) >= few and (told or self._at_last)

    def _is_one(self) -> bool:
        return (
            self._is_told()
            and len(self._serials.serials) < 2
            and 1 - self.probability_two >= SURE_ONE_AT_LAST
            and (self._least_whole() or self._in_pieces())
        )

    def _in_pieces(self) -> bool:
        """Whether one device would explain that no answer is whole at any rate."""
        search = self._limits.search
        searched = search.done and not search.given_up
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
        self._waiting.take(exchange, seen)
        if not is_begun(seen, self.address):
            # Else what was heard may be the rest of this answer, handed over late.
            self._idle.take(stray, self._pending_gap_ns)
        self._behind.take(exchange, seen, stray, self._pending_gap_ns)
        self._steadiness.take(exchange, seen)
        if isinstance(pending, int):
            self._take_piece(pending, seen)
        elif self._pending_margin:
            self._pending_margin = False
            self._take_margin(pending, seen)
        else:
            self._waiting.take_usual(seen)
            self._taken.append((pending, seen))
            if pending.serial:
                self._serials.take_whole(seen)
            self._leave_sunspec()
            self._weigh()

    def _take_piece(self, register: int, seen: Observation) -> None:
        self._pieces_taken.append((register, seen))
        if register == WHOLE:
            self._serials.take_whole(seen)
        else:
            self._serials.take_register(register, seen)

    def _take_margin(self, question: Question, seen: Observation) -> None:
        """Go on, or ask once more where somebody else was heard."""
        before = self._heard_of_others()
        self._limits.take(question, seen)
        if question.serial:
            self._serials.take_whole(seen)
        self._weigh()
        self._limits.ask_again(somebody_else=self._heard_of_others() > before, sure=self._is_more())

    def _heard_of_others(self) -> int:
        others = self._limits.others(self._taken)
        return max(0, len(self._serials.serials) - 1) + (others or 0)

    def _leave_sunspec(self) -> None:
        """Ask for other registers when the supposed map turns out not to be there."""
        if self.sunspec_base is None or len(self._taken) != FEWEST_MORE:
            return
        contents = [c for _, o in self._taken for c in o.contents]
        if contents and all(len(c) == 1 for c in contents):
            # Nothing but exceptions: they are short, and all alike.
            self.sunspec_base = None
            self._rotation = questions(None, self.function, None)

    def _weigh(self) -> None:
        spoiled = as_if_cut(
            (*self._taken, *self._limits.taken),
            self.address,
            self.function,
            self._waiting.damaged_from_ns,
        )
        self._odds = weigh(
            self._taken,
            self._limits,
            self.background,
            self._idle,
            self._behind.log_evidence,
            foreign=self._reader.foreign,
            spoiled=spoiled,
            steady=self._steadiness.is_steady,
        )

    # Telling ---------------------------------------------------------------------------------

    @property
    def verdict(self) -> DuplicateVerdict:
        """What is known so far."""
        observations = [o for _, o in self._taken]
        two = self.probability_two
        serials = tuple(dict.fromkeys(t for t in map(serial_text, self._serials.serials) if t))
        manner = ""
        limits = self._limits.told
        if all(o.kind is Kind.SILENT for o in observations):
            verdict, stated = "silent", 1.0 if self._is_silent() else 0.9
        elif self._is_more():
            verdict, stated = "duplicate", two
            hidden = self._is_hidden(serials, {heard.serial for heard in limits})
            manner = manner_of(observations, len(serials), only_at_limits=hidden)
        elif self._is_one():
            verdict, stated = "single", 1 - two
        else:
            verdict, stated = "undecided", two
        return DuplicateVerdict(
            self.address,
            verdict,
            stated,
            len(observations) + len(self._limits.taken) + len(self._pieces_taken),
            serials,
            evidence_of(
                observations,
                [o for _, o in self._pieces_taken],
                serials,
                self._serials.fragment if verdict == "duplicate" else b"",
                serial_text(self._serials.common) if verdict == "duplicate" else "",
                self.background,
            )
            + evidence_of_limits(limits, serials)
            + tuple(
                Evidence(None, told) for told in (self._behind.told, self._steadiness.told) if told
            ),
            manner,
        )

    def _is_hidden(self, serials: Sequence[str], at_limits: set[str]) -> bool:
        """Whether a serial number was heard at the limits alone."""
        usual = {
            serial_text(content[1:])
            for question, seen in self._taken
            if question.serial
            for content in seen.contents
        }
        return any(serial in at_limits and serial not in usual for serial in serials)
