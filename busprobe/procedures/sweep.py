"""Who answers: a patient sweep of addresses, likely ones first.

Theory of operation:

- Every address is asked once with a short read (FC 03, 2 registers). Any valid answer proves a
  device, exceptions too. The listening time of this first round follows the turn-arounds measured
  so far.
- What stayed silent is asked a second time, with FC 04 and a longer listening time: some devices
  ignore a function they do not know, and some are slow.
- A valid frame from *another* address is never an answer from the address asked: it is a late
  answer, and its sender is asked again by itself. Bytes that are no frame make the address
  suspicious; it is asked again until it answers, stays silent, or has proved that something there
  answers in pieces (`garbled`), which is what two devices on one address look like.
- The answer of 9 characters is longer than the request of 8, so a late answer cannot hide inside
  the next request.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis.duplicate.observe import SHORTEST_ANSWER, runs_of
from busprobe.model.exchange import Exchange, Frame, Outcome
from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS, LineSettings
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu, timing

# Factory addresses in order of how often manuals name them: 1 by far, the next free ones, then the
# ends of the range. Common practice, no source.
LIKELY_ADDRESSES = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 247, 100, 20, 30, 50, 126, 240)

PROBE_REGISTERS = 2
FIRST_ROUND_FUNCTION = 3
SECOND_ROUND_FUNCTION = 4
# Who answered later than anybody listened is asked again with more patience.
LATE_LISTEN_NS = 1_000 * MS
# Addresses that no factory sets. Common practice, no source.
CONTROL_ADDRESSES = (231, 213)
CONTROL_LISTEN_NS = 300 * MS
_COMPARISONS = 8
_MOST_BABBLE = 3
_REPEATS = 4


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """What to ask.

    Attributes:
        addresses: Addresses in the order in which they are asked.
        first_listen_ns: Listening time until a turn-around is known [ns].
        shortest_listen_ns: The first round never listens shorter [ns].
        slow_listen_ns: Listening time of the second round and of repeats [ns].
        second_round: Whether to ask the silent ones again, slower and with FC 04.
    """

    addresses: tuple[int, ...]
    first_listen_ns: int = 100 * MS
    shortest_listen_ns: int = 50 * MS
    slow_listen_ns: int = 300 * MS
    second_round: bool = True


def in_likely_order(addresses: Iterable[int]) -> tuple[int, ...]:
    """Likely factory addresses first, the others ascending."""
    wanted = set(addresses)
    likely = [address for address in LIKELY_ADDRESSES if address in wanted]
    return (*likely, *sorted(wanted.difference(likely)))


def whole_line() -> tuple[int, ...]:
    """All addresses of a serial line, never 0 and never 248 and above."""
    return in_likely_order(range(FIRST_ADDRESS, LAST_ADDRESS + 1))


@dataclass
class Sweep:
    """The state of a sweep: it can be stopped between any two requests and resumed.

    Attributes:
        present: The proving exchange by address.
        garbled: Addresses where something answers, but never in a whole frame.
        silent: Addresses that stayed silent in every round so far.
        echo: Whether our own requests came back.
        late: Exchanges in which the late answer of an address not asked was heard, as a frame or in
            pieces, by that address.
        late_ns: How long after its own request the latest of these answers began [ns], where known.
        listened_ns: How long each address was listened to after its request, at most [ns].
    """

    plan: SweepPlan
    present: dict[int, Exchange] = field(default_factory=dict)
    garbled: dict[int, Exchange] = field(default_factory=dict)
    silent: set[int] = field(default_factory=set)
    late: dict[int, Exchange] = field(default_factory=dict)
    late_ns: dict[int, int] = field(default_factory=dict)
    listened_ns: dict[int, int] = field(default_factory=dict)
    echo: bool = False
    turnarounds_ns: list[int] = field(default_factory=list)
    _asked: set[tuple[int, int]] = field(default_factory=set)

    def listen_ns(self) -> int:
        """Listening time of the first round: three times the slowest turn-around so far [ns]."""
        if not self.turnarounds_ns:
            return self.plan.first_listen_ns
        wanted = 3 * max(self.turnarounds_ns)
        return min(max(wanted, self.plan.shortest_listen_ns), self.plan.slow_listen_ns)

    def take_listening(self, address: int, listen_ns: int) -> None:
        """Note how long an address was given to begin its answer [ns]."""
        self.listened_ns[address] = max(listen_ns, self.listened_ns.get(address, 0))

    @property
    def silence_proves_ns(self) -> int | None:
        """No silent address has a device that answers within this time [ns]; None if none is."""
        return min((self.listened_ns.get(a, 0) for a in self.silent), default=None)

    @property
    def done(self) -> int:
        """Requests planned and made, over both rounds."""
        return len(self._asked)

    def pending(self) -> tuple[tuple[int, int], ...]:
        """(round, address) still to be asked, in order."""
        first = [(1, a) for a in self.plan.addresses if (1, a) not in self._asked]
        if first or not self.plan.second_round:
            return tuple(first)
        return tuple(
            (2, a) for a in self.plan.addresses if a in self.silent and (2, a) not in self._asked
        )

    def remaining_s(self, line: LineSettings) -> float:
        """Expected time for what is still to be asked [s]."""
        request_ns = line.duration_ns(8)
        first = sum(1 for a in self.plan.addresses if (1, a) not in self._asked)
        second = 0
        if self.plan.second_round:
            second = sum(
                1
                for a in self.plan.addresses
                if (2, a) not in self._asked and a not in self.present
            )
        cost = first * (request_ns + self.listen_ns()) + second * (
            request_ns + self.plan.slow_listen_ns
        )
        return cost / 1e9

    def take_over(self, other: Sweep) -> None:
        """Take over what another sweep of the same bus found, so that nobody is asked twice."""
        self.present.update(other.present)
        self.garbled.update(other.garbled)
        self.silent.update(other.silent)
        self.turnarounds_ns.extend(other.turnarounds_ns)
        self._asked.update(other._asked)

    def had_turn(self, number: int, address: int) -> bool:
        """Whether this address had its turn in this round."""
        return (number, address) in self._asked

    def mark_asked(self, number: int, address: int) -> None:
        """Remember that this address had its turn in this round."""
        self._asked.add((number, address))


async def sweep(
    bus: Bus,
    state: Sweep,
    observe: Observer = ignore,
    on_found: Callable[[int, Exchange], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> Sweep:
    """Ask every address of the plan that was not asked yet.

    Args:
        bus: The bus.
        state: A new `Sweep(plan)`, or one that was stopped.
        observe: Told before each request.
        on_found: Told at once of each address at which something answers.
        should_stop: Asked between requests; what is known stays in `state`.
    """
    sweeper = Sweeper(bus, state, on_found)
    while (pending := state.pending()) and not should_stop():
        number, address = pending[0]
        observe(
            Progress(
                state.done,
                state.done + len(pending),
                state.remaining_s(bus.line) if bus.is_serial else None,
                f"asking address {address}" + ("" if number == 1 else ", second round, slower"),
            )
        )
        await sweeper.turn(number, address)
    if not should_stop():
        await sweeper.hear_out()
    return state


@dataclass
class Sweeper:
    """One address at a time."""

    bus: Bus
    state: Sweep
    on_found: Callable[[int, Exchange], None] | None
    _asked_at: dict[int, int] = field(default_factory=dict)
    _last: Exchange | None = None

    async def turn(self, number: int, address: int) -> None:
        """Give an address its turn in a round."""
        state = self.state
        state.mark_asked(number, address)
        if address in state.present:
            return
        function = FIRST_ROUND_FUNCTION if number == 1 else SECOND_ROUND_FUNCTION
        listen_ns = state.listen_ns() if number == 1 else state.plan.slow_listen_ns
        exchange = await self._ask(address, function, listen_ns)
        self._asked_at[address] = exchange.request.t_end_ns
        await self._salvage(exchange)
        if exchange.proves_device:
            self.found(address, exchange)
        elif exchange.outcome is Outcome.DAMAGED:
            heard_ns = self.bus.now()
            await self.look_closer(address, function)
            # Before the last round everybody silent is asked again anyway.
            if number == 2 or not state.plan.second_round:
                await self._ask_recent_again(exchange, heard_ns)
        elif address not in state.present:
            state.silent.add(address)

    async def _ask(self, address: int, function: int, listen_ns: int) -> Exchange:
        request = pdu.read_registers(function, 0, PROBE_REGISTERS)
        exchange = await self.bus.exchange(address, request, listen_ns=listen_ns)
        self.state.echo = self.state.echo or exchange.echo
        self.state.take_listening(address, listen_ns)
        return exchange

    def found(self, address: int, exchange: Exchange, *, garbled: bool = False) -> None:
        """Keep an address at which something answers, and tell."""
        state = self.state
        if garbled:
            state.garbled[address] = exchange
        else:
            state.present[address] = exchange
            state.garbled.pop(address, None)
        state.silent.discard(address)
        if exchange.turnaround_ns is not None and exchange.turnaround_ns > 0:
            state.turnarounds_ns.append(exchange.turnaround_ns)
        if self.on_found is not None:
            self.on_found(address, exchange)

    async def look_closer(self, address: int, function: int) -> None:
        """Repeat where bytes were heard that are no answer."""
        heard: list[Exchange] = []
        for _ in range(_REPEATS):
            exchange = await self._ask(address, function, self.state.plan.slow_listen_ns)
            if exchange.proves_device:
                self.found(address, exchange)
                return
            if answers_in_pieces(exchange):
                heard.append(exchange)
        if len(heard) >= _REPEATS - 1 and await somebody_answers_in_pieces(self.bus, address):
            self.found(address, heard[-1], garbled=True)
            return
        if address not in self.state.present:
            self.state.silent.add(address)

    async def _ask_recent_again(self, because_of: Exchange, heard_ns: int) -> None:
        """Bytes nobody here answers for may be the late answer of somebody asked just before.

        Args:
            because_of: The exchange in which they were heard.
            heard_ns: When it ended.
        """
        recent = [a for a, t in self._asked_at.items() if heard_ns - t <= LATE_LISTEN_NS]
        for address in recent:
            if address not in self.state.silent:
                continue
            exchange = await self._ask(address, FIRST_ROUND_FUNCTION, LATE_LISTEN_NS)
            if exchange.proves_device:
                if (exchange.turnaround_ns or 0) > self.state.plan.slow_listen_ns:
                    self.state.late.setdefault(address, because_of)
                self.found(address, exchange)

    async def hear_out(self) -> None:
        """Listen a last time: the last ones asked may answer late, and no request follows."""
        last = self._last
        if last is None or not self.bus.is_serial:
            return
        heard = await self.bus.listen(self.state.plan.slow_listen_ns)
        await self._ask_senders([p for p in heard.pieces if isinstance(p, Frame)], last)

    async def _salvage(self, exchange: Exchange) -> None:
        """Ask the senders of late answers again, by themselves."""
        self._last = exchange
        late = [piece for piece in exchange.pieces if isinstance(piece, Frame)]
        # What came while the bus waited for its turn is as good.
        late += [p for p in self.bus.take_stray_pieces() if isinstance(p, Frame)]
        others = [frame for frame in late if frame.address != exchange.request.address]
        await self._ask_senders(others, exchange)

    async def _ask_senders(self, frames: list[Frame], exchange: Exchange) -> None:
        """Ask whoever answered late again, once everybody who still owes an answer has given it."""
        state = self.state
        waiting = self._unknown_senders(frames)
        if not waiting:
            return
        heard = await self.bus.listen(LATE_LISTEN_NS)
        more = [p for p in heard.pieces if isinstance(p, Frame)]
        waiting |= self._unknown_senders(more)
        for frame in (*frames, *more):
            if frame.address in waiting and frame.address in self._asked_at:
                delay_ns = frame.t_start_ns - self._asked_at[frame.address]
                state.late_ns[frame.address] = max(state.late_ns.get(frame.address, 0), delay_ns)
        asked: set[int] = set()
        while waiting:
            sender = next(iter(waiting))
            del waiting[sender]
            asked.add(sender)
            state.late.setdefault(sender, exchange)
            again = await self._ask(
                sender, FIRST_ROUND_FUNCTION, max(state.plan.slow_listen_ns, LATE_LISTEN_NS)
            )
            if again.proves_device:
                self.found(sender, again)
            others = self._unknown_senders([p for p in again.pieces if isinstance(p, Frame)])
            waiting |= {a: None for a in others if a not in asked}

    def _unknown_senders(self, frames: list[Frame]) -> dict[int, None]:
        """Addresses of these frames that are not known to be present, in order."""
        if not self.bus.is_serial:
            return {}
        return {
            frame.address: None
            for frame in frames
            if FIRST_ADDRESS <= frame.address <= LAST_ADDRESS
            and frame.address not in self.state.present
        }


def answers_in_pieces(exchange: Exchange) -> bool:
    """Whether bytes came that are no answer, but as many at a stretch as the shortest one has."""
    if exchange.outcome is not Outcome.DAMAGED:
        return False
    return max((len(run.data) for run in runs_of(exchange)), default=0) >= SHORTEST_ANSWER


async def somebody_answers_in_pieces(bus: Bus, address: int) -> bool:
    """Whether bytes come because this address was asked, not from the line itself.

    A line without bias, or a noisy one, delivers bytes after any request; so an address that nobody
    has is asked as often. Eight of eight against three of eight at most: with equal rates that is
    seen once in 78 times (Fisher's exact test), and it was seen several times in a row before.
    """
    control = next(a for a in CONTROL_ADDRESSES if a != address)
    request = pdu.read_registers(FIRST_ROUND_FUNCTION, 0, PROBE_REGISTERS)
    babbled = 0
    for _ in range(_COMPARISONS):
        exchange = await bus.exchange(address, request, listen_ns=CONTROL_LISTEN_NS)
        if exchange.proves_device:
            return True
        if not exchange.pieces:
            return False
        other = await bus.exchange(control, request, listen_ns=CONTROL_LISTEN_NS)
        babbled += bool(other.pieces)
    return babbled <= _MOST_BABBLE


def bound_s(
    line: LineSettings, absent: int, listen_ns: int, present_turnaround_ns: list[int]
) -> float:
    """The physical bound of a sweep [s].

    Absent addresses cost the request and the listening time; present ones the request, their
    turn-around, an answer of `PROBE_REGISTERS` registers and the silence t3.5 that ends it.
    """
    request = line.duration_ns(8)
    answer = line.duration_ns(5 + 2 * PROBE_REGISTERS)
    total = absent * (request + listen_ns)
    for turnaround in present_turnaround_ns:
        total += request + turnaround + answer + timing.t3_5_ns(line)
    return total / 1e9
