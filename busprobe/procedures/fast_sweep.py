"""Who answers: a sweep at the physical limit, for a line without another master.

Theory of operation:

- Each address is asked once and listened to for 30 to 50 ms only. Whoever is slower answers into
  the turn of a later address; an answer names its sender, so that it is salvaged.
- A late answer can meet our own request or another answer. So after any activity that is not the
  one clean answer of the address asked, the sweep waits until every pending answer must have come,
  and asks again, patiently and one by one: the senders it could read; and where bytes remain that
  nobody has explained, every silent address asked within that time.
- The request asks for 4 registers: the answer (13 characters) is longer than the request (8), so
  that it always shows on one side of it. Only an exception (5 characters) can hide: a *late* one
  does with probability (8 - 5 + 1) t_c / (8 t_c + listening time), 7 % at 9600 Bd and 50 ms; the
  one character more is the first of the answer, lost as soon as our request covers its end.
- A device that gives up its answer when it hears another request is missed whenever it is slower
  than the listening time. Only a patient sweep finds it.

`miss_probability` states both numbers. The silence t3.5 is kept before every request: devices that
part frames by silence would lose it otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busprobe.bus.bus import MS, Bus
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS, LineSettings
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.sweep import FIRST_ROUND_FUNCTION, Sweep, Sweeper
from busprobe.wire import pdu, timing

FAST_LISTEN_NS = 50 * MS
# Who takes longer than this from request to answer is not looked for.
PATIENCE_NS = 500 * MS
FAST_REGISTERS = 4
_REQUEST_CHARACTERS = 8
_EXCEPTION_CHARACTERS = 5
_CLEAN = (Outcome.ANSWERED, Outcome.EXCEPTION)


def bound_s(line: LineSettings, addresses: int, listen_ns: int, patience_ns: int) -> float:
    """Physical bound of a fast sweep in which nobody is slower than the listening time [s]."""
    slot = line.duration_ns(_REQUEST_CHARACTERS) + listen_ns
    return (addresses * slot + patience_ns) / 1e9


@dataclass(frozen=True, slots=True)
class MissProbability:
    """What a fast sweep may miss.

    Attributes:
        late_exception: A device that is slower than the listening time and refuses the read.
        gives_up: A device that is slower and drops its answer when it hears another request.
        slower_than_ms: Devices slower than this are not looked for [ms].
    """

    late_exception: float
    gives_up: float
    slower_than_ms: float


def miss_probability(
    line: LineSettings, listen_ns: int = FAST_LISTEN_NS, patience_ns: int = PATIENCE_NS
) -> MissProbability:
    """State what a fast sweep may miss on a line."""
    request = line.duration_ns(_REQUEST_CHARACTERS)
    hidden = request - line.duration_ns(_EXCEPTION_CHARACTERS - 1)
    return MissProbability(hidden / (request + listen_ns), 1.0, patience_ns / 1e6)


async def fast_sweep(
    bus: Bus,
    state: Sweep,
    observe: Observer = ignore,
    on_found: Callable[[int, Exchange], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    *,
    listen_ns: int = FAST_LISTEN_NS,
    patience_ns: int = PATIENCE_NS,
) -> Sweep:
    """Ask every address of the plan that had no turn yet; see `sweep` for the arguments.

    Args:
        bus: A serial bus on which nobody else talks.
        state: A new `Sweep(plan)`, or one that was stopped; its listening times are not used.
        observe: Told before each request.
        on_found: Told at once of each address at which something answers.
        should_stop: Asked between requests.
        listen_ns: Listening time per address [ns].
        patience_ns: Slowest turn-around looked for [ns].
    """
    run = _Fast(bus, state, Sweeper(bus, state, on_found), listen_ns, patience_ns)
    bus.take_stray_pieces()
    addresses = state.plan.addresses
    slot_s = (bus.line.duration_ns(_REQUEST_CHARACTERS) + listen_ns) / 1e9
    asked = False
    for number, address in enumerate(addresses):
        if state.had_turn(1, address):
            continue
        if should_stop():
            break
        left = (len(addresses) - number) * slot_s + patience_ns / 1e9
        observe(Progress(number, len(addresses), left, f"asking address {address}, fast"))
        await run.turn(address)
        asked = True
    if asked:
        # The last ones asked may still be about to answer.
        await run.gather((), ())
    return state


@dataclass
class _Fast:
    bus: Bus
    state: Sweep
    sweeper: Sweeper
    listen_ns: int
    patience_ns: int

    def __post_init__(self) -> None:
        self.request = pdu.read_registers(FIRST_ROUND_FUNCTION, 0, FAST_REGISTERS)
        self.asked_at: dict[int, int] = {}

    async def _ask(self, address: int, listen_ns: int) -> Exchange:
        exchange = await self.bus.exchange(address, self.request, listen_ns=listen_ns)
        self.state.echo = self.state.echo or exchange.echo
        self.state.take_listening(address, listen_ns)
        return exchange

    async def turn(self, address: int) -> None:
        state = self.state
        state.mark_asked(1, address)
        if address in state.present:
            return
        exchange = await self._ask(address, self.listen_ns)
        self.asked_at[address] = exchange.request.t_end_ns
        stray = self.bus.take_stray_pieces()
        if exchange.proves_device:
            self.sweeper.found(address, exchange)
        else:
            state.silent.add(address)
        if stray or (exchange.pieces and exchange.outcome not in _CLEAN):
            await self.gather(stray, exchange.pieces, exchange)

    async def gather(
        self,
        stray: Sequence[Frame | Unframed],
        pieces: Sequence[Frame | Unframed],
        exchange: Exchange | None = None,
    ) -> None:
        """Wait for every pending answer, then ask again whoever may have answered."""
        start = self.bus.now() if exchange is None else exchange.request.t_start_ns
        over = await self.bus.listen(self.patience_ns + timing.t3_5_ns(self.bus.line))
        seen = (*stray, *pieces, *over.pieces)
        if not seen:
            return
        named = [p.address for p in seen if isinstance(p, Frame)]
        if exchange is not None and not exchange.proves_device:
            named.append(exchange.request.address)
        if any(isinstance(p, Unframed) for p in seen):
            # The most recently asked are the likeliest, and all are asked.
            named += [
                address
                for address, t_ns in sorted(self.asked_at.items(), key=lambda pair: -pair[1])
                if t_ns >= start - self.patience_ns
            ]
        if exchange is not None:
            for sender in {p.address for p in seen if isinstance(p, Frame)}:
                if sender != exchange.request.address:
                    self.state.late.setdefault(sender, exchange)
        for sender in dict.fromkeys(named):
            await self._ask_again(sender, exchange)

    async def _ask_again(self, address: int, because_of: Exchange | None) -> None:
        state = self.state
        if address in state.present or not FIRST_ADDRESS <= address <= LAST_ADDRESS:
            return
        exchange = await self._ask(address, self.patience_ns)
        self.asked_at.pop(address, None)
        if exchange.proves_device:
            if because_of is not None and (exchange.turnaround_ns or 0) > self.listen_ns:
                state.late.setdefault(address, because_of)
            self.sweeper.found(address, exchange)
        elif exchange.outcome is Outcome.DAMAGED:
            await self.sweeper.look_closer(address, FIRST_ROUND_FUNCTION)
        else:
            state.silent.add(address)
        for piece in (*exchange.pieces, *self.bus.take_stray_pieces()):
            if isinstance(piece, Frame) and piece.address != address:
                await self._ask_again(piece.address, exchange)
