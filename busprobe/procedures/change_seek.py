"""Where is the device now? Asks at every place where it may answer on its way to the new one."""

from __future__ import annotations

from dataclasses import dataclass, field

from busprobe.bus.bus import MS, Bus
from busprobe.procedures.change_check import LISTEN_NS, go_to, somebody_at
from busprobe.procedures.change_plan import ChangePlan, Place
from busprobe.procedures.progress import Observer, Progress
from busprobe.wire import pdu

# A device that restarts may be away for half a minute, and may come back with its old settings.
# Common practice, no source.
PATIENCE_NS = 45_000 * MS
# After this silence it is told for how long nobody has answered [s].
_TELL_AFTER_S = 8


@dataclass
class Whereabouts:
    """Follows one device through a change; the link follows, too.

    Attributes:
        bus: The bus.
        plan: The change.
        observe: Told where is asked.
        place: Where the device is asked now.
    """

    bus: Bus
    plan: ChangePlan
    observe: Observer
    place: Place = field(init=False)

    def __post_init__(self) -> None:
        self.place = self.plan.old
        known = self.plan.device.functions
        self._functions = tuple(f for f in (3, 4) if f in known)[:1] or (3, 4)

    async def read(self, register: int) -> int | None:
        """What a register holds, None where it cannot be read."""
        request = pdu.read_registers(self.plan.how.read_function, register, 1)
        for _ in range(2):
            exchange = await self.bus.exchange(self.place.address, request, listen_ns=LISTEN_NS)
            if exchange.answer is None:
                continue
            registers = pdu.registers_of(request, exchange.answer.pdu)
            return None if registers is None else registers[0]
        return None

    async def go(self, place: Place) -> None:
        """From here on the device is asked at this place."""
        self.place = place
        await go_to(self.bus, place)

    async def find(self, expected: Place, patience_ns: int = PATIENCE_NS) -> Place | None:
        """Where the device answers: the expected place first, then all others, with patience."""
        places = list(dict.fromkeys((expected, *reversed(self.plan.places))))
        give_up = self.bus.now() + patience_ns
        begun = self.bus.now()
        while True:
            for place in places:
                waited = (self.bus.now() - begun) / 1e9
                since = (
                    f"; nobody has answered for {waited:.0f} s" if waited > _TELL_AFTER_S else ""
                )
                self.observe(Progress(0, 0, None, f"asking at {place}{since}"))
                if await self.answers(place, tries=1):
                    await self.go(place)
                    return place
            if self.bus.now() >= give_up:
                return None

    async def answers(self, place: Place, tries: int = 3) -> bool:
        """Whether anybody answers at a place."""
        return await somebody_at(
            self.bus,
            place,
            self._functions,
            tries,
            damaged_counts=self.plan.settings == self.plan.new_settings,
        )

    async def holds_new(self) -> bool:
        """Whether no register of the plan says that it holds another value."""
        held = [await self.read(w.register) for w in self.plan.moves]
        return all(v is None or v == w.value for v, w in zip(held, self.plan.moves, strict=True))

    async def surely_holds_new(self) -> bool:
        """Whether every register of the plan could be read and holds the new value."""
        held = [await self.read(w.register) for w in self.plan.moves]
        return bool(held) and all(v == w.value for v, w in zip(held, self.plan.moves, strict=True))

    def both_answer(self) -> str:
        """That answers come from the new place and from the old one, and what it may mean."""
        old, new = self.plan.old, self.plan.new
        if old.may_sound_like(new):
            return (
                f"Answers come at {new} and at {old}: they do not tell the two formats apart, and "
                "its registers could not be read back. Look at its display, or search the whole "
                "line."
            )
        return (
            f"Somebody answers at {new} and somebody at {old}: two devices heard the change, or "
            "one more was connected meanwhile. Search the whole line."
        )

    def and_old(self, alike: bool) -> str:
        """What is known of the old place once the device answers at the new one.

        Args:
            alike: Whether an answer does not tell the two apart, and registers did.
        """
        if not alike:
            return f", and nobody at {self.name(self.plan.old)}"
        only_stop_bits = self.plan.old.sounds_like(self.plan.new)
        what = "stop bits" if only_stop_bits else "the two formats apart here"
        return f", and its registers hold it (an answer does not tell {what})"

    def name(self, place: Place) -> str:
        """A place, with the settings only where they change."""
        if self.plan.settings == self.plan.new_settings:
            return f"address {place.address}"
        return str(place)
