"""The job as the terminal interface runs it: a picture needs a little more than a command.

Serial numbers behind a verdict are told, and every device found is read once, so that there are
values to look at before the slow second round of the search.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from busprobe.model.errors import InputError
from busprobe.model.finding import Evidence
from busprobe.session.events import DuplicateSeen, Step
from busprobe.session.job import Job

if TYPE_CHECKING:
    from busprobe.diagnosis.duplicate import DuplicateVerdict
    from busprobe.model.device import Device
    from busprobe.procedures.progress import Observer

_EARLIER = "before the link was lost: "


@dataclass
class ScreenJob(Job):
    """A job that tells duplicate verdicts whole, and reads each device that it finds.

    Attributes:
        was_read: Addresses that were read once.
        serials: Serial numbers that were heard at an address, where more than one device answers.
    """

    was_read: set[int] = field(default_factory=set)
    serials: dict[int, tuple[str, ...]] = field(default_factory=dict)

    def take_over(self, lost: ScreenJob) -> None:
        """Know what was known when the same link was lost.

        What it rests on stands in the recording of that time: its exchanges are not those of this
        job, which counts anew.
        """
        self.settings_of.update(lost.settings_of)
        self.anomalies.update(lost.anomalies)
        self.serials.update(lost.serials)
        self.was_read |= lost.was_read
        for device in lost.devices.values():
            self.know(device)
        for finding in lost.findings.values():
            earlier = tuple(
                piece if piece.text.startswith(_EARLIER) else Evidence(None, _EARLIER + piece.text)
                for piece in finding.evidence
            )
            self.raise_finding(replace(finding, evidence=earlier))

    async def look_for_duplicate(
        self, device: Device, step: Step, observe: Observer | None = None
    ) -> DuplicateVerdict:
        """Test one address, put the verdict into words, and tell it."""
        verdict = await super().look_for_duplicate(device, step, observe)
        if self.stopped_short(verdict):
            return verdict
        self.serials[device.address] = verdict.serials
        self.emit(DuplicateSeen(verdict))
        if step is Step.FIND:
            await self.read_once(device.address)
        return verdict

    async def read_once(self, address: int) -> None:
        """Read a device whose registers are known and that is alone at its address."""
        device = self.devices.get(address)
        if device is None or address in self.was_read or self.should_stop():
            return
        if device.duplicate == "duplicate" or (device.sunspec is None and device.profile is None):
            return
        self.was_read.add(address)
        with contextlib.suppress(InputError):
            await self.watch((address,), period_s=1.0, most=1)
