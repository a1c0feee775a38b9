"""The experiment: which request next, and whether it is enough.

Every round asks each address once. From round to round it varies what tells causes apart: a short
read and a long one (noise grows with length), the silence before it (t3.5 and 10 to 600 ms), and
whether another device was spoken to just before (a repeat at the same address follows). A line
without any irregularity is healthy after a few rounds; where something is not clean, it goes on
until every cause is sure or ruled out, or asking no longer helps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from busprobe.diagnosis.line_health.causes import Weighed, weigh
from busprobe.diagnosis.line_health.disturbance import NOTHING, Exposure
from busprobe.diagnosis.line_health.late_rest import join_rest, put_right
from busprobe.diagnosis.line_health.signs import Condition, Sample, Sign, sample
from busprobe.diagnosis.line_health.silence import GAPS_NS, RESYNC_NS
from busprobe.diagnosis.line_health.types import LineQuestion
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.wire import pdu

MS = 1_000_000
LISTEN_NS = 700 * MS
# Gateways take a second and more.
_LONG_LISTEN_NS = 2_000 * MS
# Rounds over all addresses; an address that stays silent is not asked to the end.
FEWEST_ROUNDS = 16
MOST_ROUNDS = 60
_SILENT_AFTER = 10
# A cause is settled outside these.
_RULED_OUT = 0.02
SURE = 0.95
_LIKELY = 0.5
# The bytes cannot tell these apart: asking on does not help.
_ALIKE = ("no-bias", "surplus-termination")
# Short gaps more often: they show most. Every gap comes before an address is given up.
_GAP_ORDER = (0, 2, 0, 4, 0, 1, 3, 0, 2, 0, 1, 0)


@dataclass(frozen=True, slots=True)
class Target:
    """An address and what can be read there.

    Attributes:
        address: The address.
        function: Function code of the reads.
        register: First register that it answers.
        longest: Registers of the longest read that it answers.
    """

    address: int
    function: int = 3
    register: int = 0
    longest: int = 1


@dataclass
class Patience:
    """How long each device is waited for: a late answer would damage the next exchange."""

    _listen_ns: dict[int, int] = field(default_factory=dict)

    def listen_ns(self, address: int) -> int:
        """How long to wait for the first byte of this device [ns]."""
        return self._listen_ns.get(address, LISTEN_NS)

    def take(self, seen: Sample) -> None:
        """Learn from an exchange."""
        slow = [s for s in seen.senders if s != seen.address]
        if seen.sign is Sign.LATE or (seen.turnaround_ns or 0) > LISTEN_NS // 2:
            slow.append(seen.address)
        for address in slow:
            self._listen_ns[address] = _LONG_LISTEN_NS


@dataclass
class LineTest:
    """Decides what is wrong with a line.

    Args:
        targets: Whom to ask.
        character_s: Duration of a character [s].
        alone: Stray bytes heard while nothing was sent.
        earlier: Probability that two devices share an address, by address, where a test said so
            before this experiment. It counts where answers are damaged now, until the address is
            tested anew: somebody may have parted the two meanwhile.

    Attributes:
        rightly: What exchanges were, by number, where more was heard of them later.
    """

    targets: Sequence[Target]
    character_s: float
    alone: Exposure = NOTHING
    earlier: Mapping[int, float] = field(default_factory=dict)
    samples: list[Sample] = field(default_factory=list)
    duplicates: dict[int, tuple[str, float]] = field(default_factory=dict)
    patience: Patience = field(default_factory=Patience)
    rightly: dict[int, Outcome] = field(default_factory=dict)
    _round: int = 0
    _queue: list[tuple[Target, int, int]] = field(default_factory=list)
    _pending: tuple[LineQuestion, bool] | None = None
    _last_address: int | None = None
    _quiet_since_ns: int | None = None
    _held: dict[int, int | None] = field(default_factory=dict)
    _weighed: Weighed | None = None

    def next_question(self) -> LineQuestion | None:
        """The next request, or None when the experiment has ended."""
        if not self._queue:
            if self._ended():
                return None
            self._fill()
        target, registers, gap_ns = self._queue.pop(0)
        request = pdu.read_registers(target.function, target.register, registers)
        after_other = self._last_address not in (None, target.address)
        question = LineQuestion(
            target.address,
            request,
            registers,
            gap_ns,
            self.patience.listen_ns(target.address),
            f"address {target.address}: {registers} registers after "
            + (f"{gap_ns // MS} ms" if gap_ns else "the shortest silence"),
        )
        self._pending = question, after_other
        return question

    def _fill(self) -> None:
        number = self._round
        self._round += 1
        gap_ns = GAPS_NS[_GAP_ORDER[number % len(_GAP_ORDER)]]
        content = self._content_gap_ns()
        if number % 2 and content is not None:
            # Only after a silence long enough is a second habit seen beside a minimum gap.
            longer = [g for g in GAPS_NS if content <= g < RESYNC_NS] or [content]
            gap_ns = longer[(number // 2) % len(longer)]
        # Addresses in turn, then backwards: each follows each other one.
        order = list(self.targets) if number % 4 < 2 else list(reversed(self.targets))
        for target in order:
            if self._is_silent(target.address):
                continue
            length = target.longest if number % 3 != 1 else 1
            self._queue.append((target, length, gap_ns))
            if number % 3 == 2 and len(self.targets) > 1:
                # Again at the same address: nobody else was spoken to between.
                self._queue.append((target, length, 0))
            elif number % 2 and content is not None:
                # A miss is followed by a long silence: only the second repeat has the gap wanted.
                self._queue += [(target, length, gap_ns)] * 2
        if not self._queue:
            self._round = MOST_ROUNDS

    def _content_gap_ns(self) -> int | None:
        """The silence that a device with a minimum gap may be content with [ns]."""
        gaps = [
            g
            for c in self.weighed.causes
            if c.code == "minimum-gap"
            and c.probability > _LIKELY
            and isinstance(g := c.facts.get("ask_ns"), int)
        ]
        return max(gaps, default=None)

    def _is_silent(self, address: int) -> bool:
        its = [s for s in self.samples if s.address == address]
        return len(its) >= _SILENT_AFTER and all(s.sign is Sign.SILENT for s in its)

    @property
    def rounds(self) -> int:
        """Rounds begun."""
        return self._round

    def _ended(self) -> bool:
        if not self.targets or self._round >= MOST_ROUNDS:
            return True
        if all(self._is_silent(t.address) for t in self.targets):
            return True
        if self._round < FEWEST_ROUNDS:
            return False
        weighed = self.weighed
        if not weighed.bad and not self.alone.idle:
            return True
        idle = sum(weighed.probability(code) for code in _ALIKE)
        return (idle <= _RULED_OUT or idle >= SURE) and all(
            c.probability <= _RULED_OUT or c.probability >= SURE
            for c in weighed.causes
            if c.code not in _ALIKE
        )

    def take(
        self,
        exchange: Exchange,
        stray: Sequence[Frame | Unframed] = (),
        errors: int | None = None,
    ) -> Sample:
        """Take the exchange that was asked for.

        Args:
            exchange: It.
            stray: What was heard before it, since the exchange before.
            errors: Framing and parity errors the driver counted during it, None where unknown.

        Raises:
            ValueError: No request was pending.
        """
        if self._pending is None:
            raise ValueError("no request was pending")
        question, after_other = self._pending
        self._pending = None
        gap_ns = question.gap_ns
        if self._quiet_since_ns is not None:
            # After an unanswered request the line was quiet for longer than was asked for.
            gap_ns = max(gap_ns, exchange.request.t_start_ns - self._quiet_since_ns)
        condition = Condition(question.registers, gap_ns, after_other)
        quiet_since_ns = self._quiet_since_ns
        self._quiet_since_ns = max(
            exchange.request.t_end_ns, *(_end_ns(p) for p in exchange.pieces), 0
        )
        held = self._held.get(question.address)
        taken, missing = sample(exchange, condition, stray, held=held, errors=errors)
        if taken.sign is not Sign.SILENT:
            self._held[question.address] = missing
        self._last_address = question.address
        if self.samples and quiet_since_ns is not None:
            pause_ns = exchange.request.t_start_ns - quiet_since_ns
            before = self.samples[-1]
            joined, taken = join_rest(before, taken, pause_ns)
            self.samples[-1] = joined
            self.rightly |= put_right((before, joined), (taken, exchange.outcome))
        self.samples.append(taken)
        self.patience.take(taken)
        self._weighed = None
        return taken

    def take_duplicate(self, address: int, verdict: str, probability: float) -> None:
        """Take the verdict of the duplicate test at an address."""
        self.duplicates[address] = verdict, probability
        self._weighed = None

    @property
    def weighed(self) -> Weighed:
        """What is known so far."""
        if self._weighed is None:
            weighed = weigh(self.samples, self.character_s, self.duplicates, self.alone)
            known = {
                address: ("duplicate", self.earlier[address])
                for address in weighed.suspects
                if address in self.earlier and address not in self.duplicates
            }
            if known:
                known |= self.duplicates
                again = weigh(self.samples, self.character_s, known, self.alone)
                weighed = replace(again, suspects=weighed.suspects)
            self._weighed = weighed
        return self._weighed


def _end_ns(piece: Frame | Unframed) -> int:
    return piece.t_end_ns if isinstance(piece, Frame) else piece.t_ns
