"""What a bench test asks of one device: many times, too soon, too much, and what it must refuse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis import bench
from busprobe.diagnosis.bench import Measured, SettingsStatistics
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.asking import turnaround_of
from busprobe.procedures.progress import Observer, Progress
from busprobe.profiles.reads import MOST_REGISTERS, RegisterRead
from busprobe.profiles.registers import profile_reads
from busprobe.profiles.schema import (
    BaudRegister,
    DeviceProfile,
    ParityRegister,
    Settings,
    StopBitRegister,
)
from busprobe.wire import pdu, timing

LISTEN_NS = 1_000 * MS
# Rests that are tried, shortest first; devices that need one have been seen to ask for 10 ms to
# 500 ms (public issue threads of Modbus libraries).
_GAPS_MS = (0, 2, 5, 10, 20, 50, 100, 200, 500)
_GAP_TRIES = 12
_MOST_GAP_TRIES = 96
# Long enough for every device that is known.
_REST_NS = 500 * MS
_TRIES = 4
# Exceptions 05 and 06 ask for patience (MODBUS Application Protocol V1.1b3, section 7).
_COME_BACK = (5, 6)
# Beyond every map that is known: registers that no device should have.
_NO_REGISTER = 65_000
_SHORT, _LONGER = 2, 20


@dataclass
class BenchAsker:
    """Asks one device on the table.

    Attributes:
        bus: The bus.
        device: The device, identified.
        observe: Takes the progress.
        should_stop: Asked between requests.
        gap_ns: Silence before each request [ns], once it is known what the device needs.
        profile: Its profile where it has no SunSpec map.
    """

    bus: Bus
    device: Device
    observe: Observer
    should_stop: Callable[[], bool]
    gap_ns: int | None = None
    profile: DeviceProfile | None = None
    _rested: list[bool] = field(default_factory=list)

    @property
    def base(self) -> int:
        """A register that the device has."""
        if self.device.sunspec is not None:
            return self.device.sunspec.base
        return 0 if self._own is None else self._own.address

    @property
    def _own(self) -> RegisterRead | None:
        """The longest read of its profile, where it has no SunSpec map."""
        if self.device.sunspec is not None or self.profile is None:
            return None
        return max(profile_reads(self.profile), key=lambda read: read.quantity, default=None)

    @property
    def own_stretch(self) -> tuple[int, int] | None:
        """First register and length of that read."""
        return None if self._own is None else (self._own.address, self._own.quantity)

    @property
    def _function(self) -> int:
        if self._own is not None:
            return self._own.function
        return self.device.functions[0] if self.device.functions else 3

    @property
    def t3_5_ns(self) -> int:
        """The silence that the standard asks for between frames [ns]."""
        return timing.t3_5_ns(self.bus.line)

    @property
    def here(self) -> str:
        """The line settings in force, in words."""
        return str(self.bus.settings) if self.bus.settings is not None else "Modbus TCP"

    def not_tested(self, name: str, title: str, why: str) -> Check:
        """A check that could not be made."""
        subject = f"address {self.device.address}"
        return Check(name, subject, title, "", why, CheckOutcome.NOT_TESTED)

    async def ask(self, request: bytes, gap_ns: int | None = None) -> Exchange:
        """Ask once."""
        return await self.bus.exchange(
            self.device.address, request, listen_ns=LISTEN_NS, gap_ns=gap_ns or self.gap_ns
        )

    # Response statistics and rest --------------------------------------------------------------

    async def measure(self, count: int, *, current: bool) -> tuple[SettingsStatistics, str]:
        """Find the shortest rest, then ask many times with it, short and longer reads in turn.

        Returns:
            What came of it, and the rest in words ("12 of 12 answered"), "" when stopped.
        """
        here = self.here
        gap_ns, tried = await self._smallest_gap(here) if self.bus.is_serial else (0, "no line")
        asked: list[Exchange] = []
        self.gap_ns = max(gap_ns or _REST_NS, self.t3_5_ns)
        for number in range(count):
            if self.should_stop():
                break
            self.observe(Progress(number, count, None, f"asking again and again at {here}"))
            longer = _LONGER if self._own is None else min(_LONGER, self._own.quantity)
            quantity = _SHORT if number % 2 else longer
            asked.append(await self.ask(pdu.read_registers(self._function, self.base, quantity)))
        if not asked:
            return SettingsStatistics(here, current, Measured.NO, "stopped"), ""
        took = turnaround_of(asked)
        worst = [e.turnaround_ns for e in asked if e.answer is not None and e.turnaround_ns]
        return (
            SettingsStatistics(
                settings=here,
                current=current,
                measured=Measured.YES,
                requests=len(asked),
                answered=sum(e.answer is not None for e in asked),
                median_ms=took.median_ms,
                p95_ms=took.p95_ms,
                worst_ms=round(max(worst) / MS, 2) if worst else None,
                gap_ms=None if gap_ns is None or not self.bus.is_serial else gap_ns / MS,
                exchanges=(asked[0].number, asked[-1].number),
            ),
            tried,
        )

    async def _smallest_gap(self, here: str) -> tuple[int | None, str]:
        request = pdu.read_registers(self._function, self.base, _SHORT)
        self._rested.clear()
        for gap_ms in _GAPS_MS:
            gap_ns = max(self.t3_5_ns, gap_ms * MS)
            self.observe(
                Progress(0, 0, None, f"asking with a rest of {gap_ns / MS:.3g} ms at {here}")
            )
            fits, asked, lost = await self._bears(request, gap_ns)
            if fits is None:
                return None, ""
            if fits:
                return gap_ns, f"{asked - lost} of {asked} answered"
        return None, f"loses requests even with {_GAPS_MS[-1]} ms"

    async def _bears(self, request: bytes, gap_ns: int) -> tuple[bool | None, int, int]:
        """Whether it bears this rest (None: stopped), requests made, requests lost.

        A device that loses requests now and then whatever the rest must not be taken for one that
        needs a longer one: both are counted, and compared.
        """
        outcomes: list[bool] = []
        while True:
            for _ in range(_GAP_TRIES):
                if self.should_stop():
                    return None, len(outcomes), outcomes.count(False)
                outcomes.append((await self.ask(request, gap_ns)).answer is not None)
            lost = outcomes.count(False)
            if gap_ns >= _REST_NS or not lost:
                return (
                    (not lost or (gap_ns >= _REST_NS and lost < len(outcomes))),
                    len(outcomes),
                    lost,
                )
            while len(self._rested) < len(outcomes):
                if self.should_stop():
                    return None, len(outcomes), lost
                rested = await self.ask(request, _REST_NS)
                self._rested.append(rested.answer is not None)
            matters = bench.rest_matters(
                lost, len(outcomes), self._rested.count(False), len(self._rested)
            )
            if matters is not None or len(outcomes) >= _MOST_GAP_TRIES:
                return not matters, len(outcomes), lost

    # What it must refuse -----------------------------------------------------------------------

    async def exceptions(self) -> Check:
        """Ask for what it must refuse (MODBUS Application Protocol V1.1b3, sections 6.3 and 7)."""
        cases: list[tuple[str, int | None, tuple[int, ...]]] = []
        for words, request, allowed in (
            ("0 registers", _illegal_read(self._function, self.base, 0), (3, 2)),
            ("126 registers", _illegal_read(self._function, self.base, 126), (3, 2)),
            (
                f"register {_NO_REGISTER}",
                pdu.read_registers(self._function, _NO_REGISTER, 1),
                (2,),
            ),
            # A meter has no coils as a rule: it may have some, but must not be silent.
            ("a coil", pdu.read_bits(1, 0, 1), (bench.ANSWERED, 1, 2)),
        ):
            if self.should_stop():
                title = "It refuses illegal requests with the right exception"
                return self.not_tested("exceptions", title, "stopped")
            self.observe(Progress(len(cases), 4, None, f"asking for {words}, to be refused"))
            cases.append((words, await self._refusal(request), allowed))
        return bench.exceptions_check(self.device.address, cases)

    async def _refusal(self, request: bytes) -> int | None:
        """The exception code it answers with, 0 for an answer, None for silence.

        A device that says it is busy is asked again, and so is one that stayed silent.
        """
        code: int | None = None
        for _ in range(_TRIES):
            answer = (await self.ask(request, max(self.gap_ns or 0, 50 * MS))).answer
            code = None if answer is None else answer.exception or bench.ANSWERED
            if code is not None and code not in _COME_BACK:
                break
        return code

    async def refuses_register(self, register: int, count: int) -> bool:
        """Whether a register of its map cannot be read by itself either."""
        request = pdu.read_registers(self._function, register, count)
        return await self._refusal(request) != bench.ANSWERED

    async def registers(
        self, register: int, count: int, function: int | None = None
    ) -> tuple[int, ...] | None:
        """Some registers by themselves, None where the device does not give them."""
        request = pdu.read_registers(function or self._function, register, count)
        for _ in range(_TRIES):
            answer = (await self.ask(request)).answer
            if answer is not None and answer.exception not in _COME_BACK:
                return pdu.registers_of(request, answer.pdu) if answer.exception is None else None
        return None

    # Long reads --------------------------------------------------------------------------------

    async def longest_read(self, stretch: tuple[int, int] | None) -> Check:
        """The most registers it gives in one answer.

        Args:
            stretch: First register and length of the longest stretch that can be read; None where
                none is known.
        """
        title = "It gives long reads"
        if stretch is None:
            return self.not_tested("long-reads", title, "no block of registers is known")
        start, available = stretch
        wanted = min(available, MOST_REGISTERS)
        low, high, trial = 0, wanted + 1, wanted
        while high - low > 1:
            if self.should_stop():
                return self.not_tested("long-reads", title, "stopped")
            self.observe(Progress(0, 0, None, f"reading {trial} registers at once"))
            if not await self.refuses_register(start, trial):
                low = trial
            else:
                high = trial
            trial = (low + high) // 2
        return bench.long_read_check(self.device.address, low, wanted)


async def answers_here(bus: Bus, device: Device) -> bool:
    """Whether a device answers at the line settings in force."""
    asker = BenchAsker(bus, device, lambda progress: None, lambda: False)
    for _ in range(_TRIES):
        if (await asker.ask(pdu.read_registers(3, asker.base, _SHORT), _REST_NS)).proves_device:
            return True
    return False


async def held_settings(
    bus: Bus, device: Device, how: Settings, heard: LineSettings
) -> LineSettings:
    """The line settings that a device holds in its registers, as far as they can be read.

    Args:
        bus: The bus, at settings at which it is heard.
        device: The device.
        how: Where its registers are.
        heard: What to believe of what cannot be read.
    """
    asker = BenchAsker(bus, device, lambda progress: None, lambda: False, _REST_NS)

    async def held(place: BaudRegister | ParityRegister | StopBitRegister | None) -> object:
        if place is None:
            return None
        got = await asker.registers(place.register_, 1, how.read_function)
        codes: dict[int, object] = dict(place.codes.items())
        return None if got is None else codes.get(got[0])

    baud, parity, stop_bits = [await held(p) for p in (how.baud, how.parity, how.stop_bits)]
    return LineSettings(
        baud if isinstance(baud, int) else heard.baud,
        Parity(parity) if isinstance(parity, str) else heard.parity,
        stop_bits if isinstance(stop_bits, int) else heard.stop_bits,
    )


def _illegal_read(function: int, register: int, quantity: int) -> bytes:
    """A read that no correct program sends; it only reads."""
    return bytes((function,)) + register.to_bytes(2, "big") + quantity.to_bytes(2, "big")
