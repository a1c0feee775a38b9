"""At which settings does anybody answer?

Each setting in common use is tried at the likely addresses; all of them, because a device with
other settings than the rest is exactly what is looked for. A device at other settings does not
understand the request and stays silent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busprobe.bus.bus import MS, Bus
from busprobe.model.exchange import Exchange
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.sweep import (
    FIRST_ROUND_FUNCTION,
    PROBE_REGISTERS,
    answers_in_pieces,
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
        too, and is then heard in pieces.
        """
        if not self.answered:
            return None

        def weight(settings: LineSettings) -> tuple[int, int]:
            addresses = self.answered[settings]
            whole = sum(self.exchanges[settings, a].proves_device for a in addresses)
            return whole, len(addresses)

        return max(self.answered, key=weight)


async def find_settings(
    bus: Bus,
    observe: Observer = ignore,
    on_found: Callable[[LineSettings, int, Exchange], None] | None = None,
    settings: tuple[LineSettings, ...] = COMMON_SETTINGS,
    addresses: tuple[int, ...] = SETTINGS_ADDRESSES,
    should_stop: Callable[[], bool] = lambda: False,
) -> SettingsSearch:
    """Try every setting at every address; the bus is left at the best one.

    Something that answers in pieces only (two devices on one address do) counts as an answer once
    it has done so at the same settings every time it was asked.
    """
    answered: dict[LineSettings, tuple[int, ...]] = {}
    exchanges: dict[tuple[LineSettings, int], Exchange] = {}
    request = pdu.read_registers(FIRST_ROUND_FUNCTION, 0, PROBE_REGISTERS)
    cost_s = [
        len(addresses) * (s.duration_ns(8) + _LISTEN_NS + bus.link.arrival_uncertainty_ns) / 1e9
        for s in settings
    ]
    before = bus.settings
    for number, candidate in enumerate(settings):
        if should_stop():
            break
        await bus.configure(candidate)
        here: list[int] = []
        for address in addresses:
            observe(
                Progress(
                    number,
                    len(settings),
                    sum(cost_s[number:]),
                    f"trying {candidate} at address {address}",
                )
            )
            for _ in range(_REPEATS):
                exchange = await bus.exchange(address, request, listen_ns=_LISTEN_NS)
                in_pieces = answers_in_pieces(exchange)
                if exchange.proves_device or not in_pieces:
                    break
            if exchange.proves_device or in_pieces:
                here.append(address)
                exchanges[candidate, address] = exchange
                if on_found is not None:
                    on_found(candidate, address, exchange)
        if here:
            answered[candidate] = tuple(here)
    result = SettingsSearch(answered, tuple(settings), exchanges, should_stop())
    keep = result.best or before
    if keep is not None:
        await bus.configure(keep)
    return result
