"""The sequential test: which request next, and whether it is enough."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.duplicate.hypotheses import (
    PRIOR_TWO,
    Background,
    log_single,
    log_two,
    regime_logs,
)
from busprobe.diagnosis.duplicate.observe import Kind, Observation, observe
from busprobe.diagnosis.duplicate.serials import recover, serial_text
from busprobe.diagnosis.duplicate.types import DuplicateVerdict, Probe
from busprobe.diagnosis.duplicate.words import evidence_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.wire import pdu

MS = 1_000_000

# When to stop: sure of two, sure of one, or too long without becoming sure.
SURE_TWO = 0.9995
SURE_ONE = 0.995
FEWEST_ONE = 10
FEWEST_TWO = 3
MOST = 36
SILENT_AFTER = 4

# SunSpec common model (model 1): the serial number lies 50 registers after the ID register, which
# follows the marker of two registers.
# Marker, ID, length and maker: the same in two meters of one kind, and about as long as the serial
# number, so that a bad line damages both equally.
_ALIKE_REGISTERS = 20
_SERIAL_OFFSET = 52
_SERIAL_REGISTERS = 16
_COMMON_REGISTERS = 66

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


@dataclass(frozen=True, slots=True)
class _Question:
    """One kind of read in the rotation.

    Attributes:
        pdu: The request.
        same: Whether two devices of one kind hold the same data there.
        fixed: Whether one device always answers the same.
        serial: Whether the answer is the serial number.
    """

    pdu: bytes
    same: bool
    fixed: bool
    serial: bool
    purpose: str


def _questions(base: int | None, function: int) -> tuple[_Question, ...]:
    if base is None:
        return (
            _Question(pdu.read_registers(function, 0, 2), False, False, False, "a short read"),
            _Question(pdu.read_registers(function, 0, 1), False, False, False, "a shorter read"),
            _Question(pdu.read_registers(function, 0, 24), False, False, False, "a long read"),
        )
    read = pdu.read_registers
    serial = _Question(
        read(function, base + _SERIAL_OFFSET, _SERIAL_REGISTERS),
        False,
        True,
        True,
        "the serial number",
    )
    marker = _Question(
        read(function, base, _ALIKE_REGISTERS), True, True, False, "what both would hold alike"
    )
    common = _Question(
        read(function, base + 2, _COMMON_REGISTERS), False, True, False, "the whole common model"
    )
    return (serial, marker, serial, common, serial, marker)


@dataclass
class DuplicateTest:
    """Decides whether more than one device answers at an address.

    Args:
        address: The address.
        sunspec_base: Where its SunSpec map starts; None when it has none.
        function: Function code of the reads.
        background: What other addresses of the line show.
    """

    address: int
    sunspec_base: int | None
    function: int = 3
    background: Background = field(default_factory=Background)
    _taken: list[tuple[_Question, Observation]] = field(default_factory=list)
    _pending: _Question | None = None
    _gap: int = 0
    _mute_run: int = 0
    _log_odds: float = math.log(PRIOR_TWO / (1 - PRIOR_TWO))

    def __post_init__(self) -> None:
        self._rotation = _questions(self.sunspec_base, self.function)

    @property
    def probability_two(self) -> float:
        """Posterior probability of more than one device."""
        return 1 / (1 + math.exp(-max(-700.0, min(700.0, self._log_odds))))

    def next_request(self) -> Probe | None:
        """The next request, or None when the test has ended."""
        if self._ended():
            return None
        count = len(self._taken)
        question = self._rotation[count % len(self._rotation)]
        self._pending = question
        linger = _LONG_LINGER_NS if count < _LONG_LINGERS else _SHORT_LINGER_NS
        return Probe(
            question.pdu,
            _LISTEN_NS,
            linger,
            _GAPS_NS[self._gap],
            f"address {self.address}: reading {question.purpose}",
        )

    def _ended(self) -> bool:
        count = len(self._taken)
        heard = [o for _, o in self._taken if o.kind is not Kind.SILENT]
        if not heard and count >= SILENT_AFTER:
            return True
        if count >= MOST:
            return True
        two = self.probability_two
        if two >= SURE_TWO and len(heard) >= FEWEST_TWO:
            return not self._wants_serials()
        return 1 - two >= SURE_ONE and len(heard) >= FEWEST_ONE

    def _wants_serials(self) -> bool:
        """Whether a few more collisions could still tell the second serial number."""
        if self.sunspec_base is None or len(self._taken) >= MOST // 2:
            return False
        return len(self._serials()) < 2

    def take(self, exchange: Exchange, stray: Sequence[Frame | Unframed] = ()) -> None:
        """Take the exchange that was asked for.

        Args:
            exchange: It.
            stray: What was heard after it, before anything else was sent.

        Raises:
            ValueError: No request was pending.
        """
        question = self._pending
        if question is None:
            raise ValueError("no request was pending")
        self._pending = None
        seen = observe(exchange)
        late = [
            p.pdu[1:]
            for p in stray
            if isinstance(p, Frame)
            and p.address == self.address
            and pdu.matches(exchange.request.pdu, p.pdu)
        ]
        if late and seen.contents:
            seen = Observation(
                Kind.TWO,
                seen.characters,
                (*seen.contents, *late),
                seen.head,
                seen.tail,
                seen.line_errors,
                seen.turnarounds_ns,
                seen.number,
            )
        self._mute_run = self._mute_run + 1 if seen.kind is Kind.SILENT else 0
        if seen.kind is Kind.SILENT and self._taken and self._gap < len(_GAPS_NS) - 1:
            self._gap += 1
        self._taken.append((question, seen))
        self._leave_sunspec()
        self._weigh()

    def _leave_sunspec(self) -> None:
        """Ask for other registers when the supposed map turns out not to be there."""
        if self.sunspec_base is None or len(self._taken) != FEWEST_TWO:
            return
        if all(len(c) == 1 for _, o in self._taken for c in o.contents) and any(
            o.contents for _, o in self._taken
        ):
            # Nothing but exceptions: they are short, and all alike.
            self.sunspec_base = None
            self._rotation = _questions(None, self.function)

    def _weigh(self) -> None:
        observations = [o for _, o in self._taken]
        log_one = log_single(observations, self.background)
        log_both = log_two([(o, q.same) for q, o in self._taken], self.background)
        self._log_odds = (
            math.log(PRIOR_TWO / (1 - PRIOR_TWO)) + log_both - log_one + self._identity_log()
        )

    def _identity_log(self) -> float:
        """Evidence from fixed registers that gave different whole answers."""
        strongest = 0.0
        for question in {q.pdu: q for q, _ in self._taken if q.fixed}.values():
            seen = Counter(
                content for q, o in self._taken if q.pdu == question.pdu for content in o.contents
            )
            if len(seen) < 2:
                continue
            second = seen.most_common(2)[1][1]
            strongest = max(strongest, _LOG_IDENTITY_TWICE if second > 1 else _LOG_IDENTITY_ONCE)
        return strongest

    def _serials(self) -> tuple[str, ...]:
        observations = [o for q, o in self._taken if q.serial]
        size = 2 * _SERIAL_REGISTERS
        whole = [
            c[1:] for o in observations for c in o.contents if len(c) == size + 1 and c[0] == size
        ]
        counted = Counter(whole)
        fragments = [f for o in observations for f in (o.tail, o.head) if f]
        more = recover(self.address, self.function, size, counted, fragments)
        texts = (serial_text(data) for data in (*counted, *more))
        return tuple(dict.fromkeys(text for text in texts if text))

    @property
    def verdict(self) -> DuplicateVerdict:
        """What is known so far."""
        observations = [o for _, o in self._taken]
        heard = [o for o in observations if o.kind is not Kind.SILENT]
        two = self.probability_two
        serials = self._serials()
        manner = ""
        if not heard:
            verdict, probability = "silent", 1.0 if len(observations) >= SILENT_AFTER else 0.9
        elif two >= SURE_TWO and len(heard) >= FEWEST_TWO:
            verdict, probability = "duplicate", two
            regimes = regime_logs([(o, q.same) for q, o in self._taken])
            manner = max(regimes, key=lambda pair: pair[1])[0]
        elif 1 - two >= SURE_ONE and len(heard) >= FEWEST_ONE:
            verdict, probability = "single", 1 - two
        else:
            verdict, probability = "undecided", two
        return DuplicateVerdict(
            self.address,
            verdict,
            probability,
            len(observations),
            serials,
            evidence_of(observations, serials, self.background),
            manner,
        )
