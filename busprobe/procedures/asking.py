"""A conversation with one device that learns its manners: how long it takes, what gap it needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median, quantiles

from busprobe.bus.bus import MS, Bus
from busprobe.model.device import TurnAround
from busprobe.model.exchange import Exchange
from busprobe.wire import pdu

# Presence takes up to 300 ms (three meter manuals), some inverters 600 ms and gateways a second:
# whoever has answered before is given a second.
LISTEN_NS = 1_000 * MS
# Once its turn-around is known, several times that is enough.
KNOWN_LISTEN_NS = 300 * MS
_PATIENCE = 6
# Silence before a repeat. Devices that need a rest after traffic have been seen to ask for 10 ms to
# 500 ms (public issue threads of Modbus libraries).
_BACK_OFF_NS = (0, 50 * MS, 500 * MS)


# MODBUS Application Protocol V1.1b3, section 7: acknowledge and busy ask for patience.
_COME_BACK = (0x05, 0x06)


@dataclass(frozen=True, slots=True)
class NoRegisters:
    """Why a read gave no registers.

    Attributes:
        exception: Exception code of the device, or None when it stayed silent or was garbled.
        exchange: The last exchange of the attempt.
    """

    exception: int | None
    exchange: Exchange


@dataclass
class Asker:
    """Asks one device, patiently.

    Attributes:
        bus: The bus.
        address: The device.
        listen_ns: How long to wait for the first byte [ns].
        exchanges: Everything asked so far.
    """

    bus: Bus
    address: int
    listen_ns: int = LISTEN_NS
    exchanges: list[Exchange] = field(default_factory=list)
    _gap_ns: int | None = None
    _slowest_ns: int = 0

    async def ask(self, request: bytes) -> Exchange:
        """Ask until a whole answer comes, with growing pauses; the last exchange is returned."""
        for back_off in _BACK_OFF_NS:
            gap = max(back_off, self._gap_ns or 0)
            exchange = await self.bus.exchange(
                self.address, request, listen_ns=self.listen_ns, gap_ns=gap or None
            )
            self._note(exchange)
            if exchange.answer is not None and exchange.answer.exception not in _COME_BACK:
                if back_off and len(self.exchanges) > 1:
                    # It answered only after a rest: keep to it from now on.
                    self._gap_ns = gap
                return exchange
        return exchange

    async def once(self, request: bytes) -> Exchange:
        """Ask once, without a repeat: for what a device may well leave unanswered."""
        exchange = await self.bus.exchange(
            self.address, request, listen_ns=self.listen_ns, gap_ns=self._gap_ns
        )
        self._note(exchange)
        return exchange

    def _note(self, exchange: Exchange) -> None:
        """Keep an exchange; who answers fast is not waited for as long as a stranger."""
        self.exchanges.append(exchange)
        turnaround = exchange.turnaround_ns
        if exchange.answer is not None and turnaround is not None and self.bus.is_serial:
            self._slowest_ns = max(self._slowest_ns, turnaround)
            self.listen_ns = max(KNOWN_LISTEN_NS, _PATIENCE * self._slowest_ns)

    async def read(
        self, function: int, register: int, quantity: int
    ) -> tuple[int, ...] | NoRegisters:
        """Read registers, or say why there are none."""
        request = pdu.read_registers(function, register, quantity)
        exchange = await self.ask(request)
        answer = exchange.answer
        if answer is None:
            return NoRegisters(None, exchange)
        if answer.exception is not None:
            return NoRegisters(answer.exception, exchange)
        registers = pdu.registers_of(request, answer.pdu)
        return NoRegisters(None, exchange) if registers is None else registers

    def turnaround(self) -> TurnAround:
        """Turn-around over all answered exchanges."""
        return turnaround_of(self.exchanges)


def turnaround_of(exchanges: list[Exchange]) -> TurnAround:
    """Median and 95th percentile of the turn-around over answered exchanges [ms]."""
    values = sorted(
        e.turnaround_ns / MS
        for e in exchanges
        if e.answer is not None and e.turnaround_ns is not None and e.turnaround_ns >= 0
    )
    if not values:
        return TurnAround()
    p95 = quantiles(values, n=20, method="inclusive")[-1] if len(values) > 1 else values[0]
    return TurnAround(round(median(values), 2), round(p95, 2))
