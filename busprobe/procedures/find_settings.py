"""At which settings does anybody answer?

Each setting in common use is tried at the likely addresses; all of them, because a device with
other settings than the rest is exactly what is looked for. A device at other settings does not
understand the request and stays silent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from busprobe.bus.bus import MS, Bus
from busprobe.model.chunk import Mark
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.chained_rates import anybody_at, chains_of
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.sweep import (
    FIRST_ROUND_FUNCTION,
    PROBE_REGISTERS,
)
from busprobe.wire import pdu

# In order of how common they are on meters: 9600 8N1 first, then the Modbus default 19200 8E1
# (Modbus over Serial Line V1.02, section 3.2), then the rest. A receiver checks one stop bit only,
# so that 8N2 needs no turn of its own. Common practice, no source.
COMMON_SETTINGS = (
    LineSettings(9600, Parity.NONE, 1),
    LineSettings(19200, Parity.EVEN, 1),
    LineSettings(9600, Parity.EVEN, 1),
    LineSettings(19200, Parity.NONE, 1),
    LineSettings(38400, Parity.NONE, 1),
    LineSettings(38400, Parity.EVEN, 1),
    LineSettings(115200, Parity.NONE, 1),
    LineSettings(115200, Parity.EVEN, 1),
    LineSettings(57600, Parity.NONE, 1),
    LineSettings(57600, Parity.EVEN, 1),
    LineSettings(4800, Parity.NONE, 1),
    LineSettings(4800, Parity.EVEN, 1),
    LineSettings(2400, Parity.NONE, 1),
    LineSettings(2400, Parity.EVEN, 1),
    LineSettings(9600, Parity.ODD, 1),
    LineSettings(19200, Parity.ODD, 1),
)
SETTINGS_ADDRESSES = (1, 2, 3, 4, 5, 10, 247)
_LISTEN_NS = 150 * MS
# Two devices on one address are heard whole now and then.
_REPEATS = 4
# With fewer settings than this, asking each by itself costs no more.
_CHAIN_FROM = 3


@dataclass(frozen=True, slots=True)
class SettingsSearch:
    """Who answered where.

    Attributes:
        answered: Addresses by the settings at which they answered, in the order tried.
        tried: All settings tried.
        exchanges: The proving exchanges by settings and address.
        stopped: Whether it was stopped before all were tried.
    """

    answered: dict[LineSettings, tuple[int, ...]]
    tried: tuple[LineSettings, ...]
    exchanges: dict[tuple[LineSettings, int], Exchange]
    stopped: bool = False

    @property
    def best(self) -> LineSettings | None:
        """The settings at which most devices answered, the more common ones on a tie.

        Whole answers count before pieces: a device without parity answers a request with parity
        too, and is then heard in pieces. Then answers without parity errors count, where the link
        tells: many devices do not check parity.
        """
        if not self.answered:
            return None

        def weight(settings: LineSettings) -> tuple[int, int, int]:
            addresses = self.answered[settings]
            exchanges = [self.exchanges[settings, a] for a in addresses]
            whole = sum(e.proves_device for e in exchanges)
            unmarked = sum(
                all(mark is Mark.GOOD for chunk in e.chunks for mark in chunk.marks or ())
                for e in exchanges
            )
            return whole, unmarked, len(addresses)

        return max(self.answered, key=weight)


async def find_settings(
    bus: Bus,
    observe: Observer = ignore,
    on_found: Callable[[LineSettings, int, Exchange], None] | None = None,
    settings: tuple[LineSettings, ...] = COMMON_SETTINGS,
    addresses: tuple[int, ...] = SETTINGS_ADDRESSES,
    should_stop: Callable[[], bool] = lambda: False,
) -> SettingsSearch:
    """Ask likely addresses at every setting; the bus is left at the best one.

    All rates of a format are asked in one go first (`chained_rates`), which costs a fraction of
    asking each by itself; where nobody at all is heard in this way, or there is nothing to chain,
    each setting gets a listening time of its own.

    Something that answers in pieces only (two devices on one address do) counts as an answer once
    it has done so at the same settings every time it was asked.
    """
    search = _Search(bus, observe, on_found, settings, addresses, should_stop)
    before = bus.settings
    wanted = await search.listen_in_chains()
    if wanted is not None:
        await search.ask_each(wanted)
    if not search.answered:
        await search.ask_each({(s, a) for s in settings for a in addresses})
    result = SettingsSearch(search.in_order(), tuple(settings), search.exchanges, should_stop())
    keep = result.best or before
    if keep is not None:
        await bus.configure(keep)
    return result


@dataclass
class _Search:
    """One search of settings under way."""

    bus: Bus
    observe: Observer
    on_found: Callable[[LineSettings, int, Exchange], None] | None
    settings: tuple[LineSettings, ...]
    addresses: tuple[int, ...]
    should_stop: Callable[[], bool]
    answered: dict[LineSettings, tuple[int, ...]] = field(default_factory=dict)
    exchanges: dict[tuple[LineSettings, int], Exchange] = field(default_factory=dict)
    request: bytes = pdu.read_registers(FIRST_ROUND_FUNCTION, 0, PROBE_REGISTERS)

    def in_order(self) -> dict[LineSettings, tuple[int, ...]]:
        """Who answered, in the order in which the settings were given."""
        return {s: self.answered[s] for s in self.settings if s in self.answered}

    async def listen_in_chains(self) -> set[tuple[LineSettings, int]] | None:
        """Settings and addresses worth asking by themselves; None where chaining does not pay."""
        chains = chains_of(self.settings)
        if not self.bus.is_serial or len(self.settings) < _CHAIN_FROM:
            return None
        turns = [(chain, address) for address in self.addresses for chain in chains]
        late = self.bus.link.arrival_uncertainty_ns
        cost_s = [chain.bound_s(_LISTEN_NS + late) for chain, _ in turns]
        wanted: set[tuple[LineSettings, int]] = set()
        for number, (chain, address) in enumerate(turns):
            if self.should_stop():
                break
            self.observe(
                Progress(
                    number,
                    len(turns),
                    sum(cost_s[number:]),
                    f"asking address {address} at {len(chain.settings)} rates",
                )
            )
            if await anybody_at(self.bus, address, self.request, chain.settings, _LISTEN_NS):
                wanted |= {(s, address) for s in chain.settings}
        return wanted

    async def ask_each(self, wanted: set[tuple[LineSettings, int]]) -> None:
        """Ask each of these by itself."""
        turns = [(s, [a for a in self.addresses if (s, a) in wanted]) for s in self.settings]
        late = self.bus.link.arrival_uncertainty_ns
        cost_s = [len(its) * (s.duration_ns(8) + _LISTEN_NS + late) / 1e9 for s, its in turns]
        for number, (candidate, its) in enumerate(turns):
            if self.should_stop():
                break
            if not its:
                continue
            await self.bus.configure(candidate)
            here: list[int] = []
            for address in its:
                self.observe(
                    Progress(
                        number,
                        len(turns),
                        sum(cost_s[number:]),
                        f"trying {candidate} at address {address}",
                    )
                )
                exchange = await self._ask(address)
                if exchange.proves_device or exchange.outcome is Outcome.DAMAGED:
                    here.append(address)
                    self.exchanges[candidate, address] = exchange
                    if self.on_found is not None:
                        self.on_found(candidate, address, exchange)
            if here:
                self.answered[candidate] = tuple(here)

    async def _ask(self, address: int) -> Exchange:
        for _ in range(_REPEATS):
            exchange = await self.bus.exchange(address, self.request, listen_ns=_LISTEN_NS)
            if exchange.proves_device or exchange.outcome is not Outcome.DAMAGED:
                break
        return exchange
