"""What the checks of one line have in common, whichever group they belong to."""

from __future__ import annotations

from dataclasses import dataclass, field

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.procedures.operator import Operator
from busprobe.session.events import CheckMade
from busprobe.session.job import Job
from busprobe.session.verification import Verification
from busprobe.site.items import Group, Item
from busprobe.site.plan_parts import DevicePart, LinkPart

SILENT = "it does not answer"
_SHARED = "more than one device answers at its address: what is read may come from either"
_MISWIRED = "its wiring is wrong: its power cannot be believed before that is mended"
_NO_POWER = "it told no power while the meters were read"


@dataclass
class LineChecks:
    """The checks of one line: what is still to be made, what may be read, what was made.

    Attributes:
        whole: The verification that it is part of.
        job: A job on the open link.
        link: The line by plan.
        operator: Switches the load; None where nobody does.
        signs: What wiring tests said of the sign, by name of the meter.
    """

    whole: Verification
    job: Job
    link: LinkPart
    operator: Operator | None = None
    signs: dict[str, str] = field(default_factory=dict)

    @property
    def devices(self) -> tuple[DevicePart, ...]:
        """The devices of this line by plan."""
        return self.whole.plan.devices_on(self.link.name)

    def pending(self, group: Group) -> tuple[Item, ...]:
        """What is still to be made of a group; nothing once stopped."""
        if self.job.should_stop():
            return ()
        return self.whole.pending(group, link=self.link.name)

    def part(self, item: Item) -> DevicePart:
        """The device that a check concerns."""
        return next(d for d in self.devices if d.name == item.subject)

    def make(self, made: Check) -> None:
        """Keep a check and tell the faces."""
        self.whole.make(made)
        self.job.emit(CheckMade(made))

    def why_not(self, part: DevicePart) -> str:
        """Why nothing can be read from a device, or "" where it can."""
        if part.address not in self.job.settings_of:
            return SILENT
        if self.whole.outcome("alone", part.name) is CheckOutcome.FAIL:
            return _SHARED
        return ""

    def why_no_power(self, part: DevicePart) -> str:
        """Why the power of a device cannot be believed, or is missing."""
        if self.whole.outcome("wiring", part.name) is CheckOutcome.FAIL:
            return _MISWIRED
        return self.why_not(part) or _NO_POWER

    async def device(self, part: DevicePart) -> Device | None:
        """The device that answers, identified; None where nobody can be."""
        try:
            return await self.job.known(part.address)
        except InputError:
            return None
