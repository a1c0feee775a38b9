"""Listening and the line check as steps of the job."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.bus.bus import Overheard
from busprobe.diagnosis.catalogue.line import ENTRIES
from busprobe.diagnosis.line_health import LineTest, line_findings, weigh
from busprobe.diagnosis.listening import listening_findings
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings
from busprobe.procedures.check_line import check_line
from busprobe.procedures.listen import Listening, listen
from busprobe.procedures.listen_first import listen_first
from busprobe.procedures.progress import Progress
from busprobe.procedures.soak import Soak, soak
from busprobe.session import findings as words
from busprobe.session.events import (
    LineCounted,
    LineHeard,
    LineWeighed,
    SettingsFound,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.values import LineReport

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork

# The faces are told this often what is weighed so far [exchanges].
_TELL_EVERY = 8
# Exchanges that a long soak leaves in memory.
_KEPT_EXCHANGES = 5_000
# What an earlier line check may have said.
LINE_CODES = tuple(
    code for code in ENTRIES if code not in ("fast-sweep-limits", "foreign-master", "jabber")
)
NO_LINE = "Modbus TCP has no line whose health could be seen from here."
NOBODY = "Nobody is to be asked."


async def listen_to_line(
    job: MeterWork, seconds: float, settings: LineSettings | None
) -> Listening:
    """Hear what others say; see `Job.listen`."""
    job.emit(StepStarted(Step.LINK, words.listen_intent(seconds, settings)))
    if not job.bus.is_serial:
        job.emit(StepFinished(Step.LINK, StepEnd.FAILED, words.NOTHING_TO_HEAR))
        raise InputError(words.NOTHING_TO_HEAR, words.NOT_SERIAL_NEXT)
    found = await listen(
        job.bus,
        seconds,
        given=settings,
        observe=job.progress(Step.LINK),
        on_heard=lambda heard, conversation: job.emit(LineHeard(heard, conversation)),
        should_stop=job.should_stop,
    )
    job.emit(LineHeard(found.heard, found.conversation))
    if found.settings is not None:
        job.emit(SettingsFound(found.settings))
    for each in listening_findings(found.heard, found.conversation, settings, found.seconds):
        job.raise_finding(each)
    end = StepEnd.STOPPED if job.should_stop() else StepEnd.DONE
    job.emit(StepFinished(Step.LINK, end, words.listen_summary(found)))
    return found


@dataclass
class LineWork:
    """One line check under way."""

    job: MeterWork

    async def run(
        self, addresses: tuple[int, ...], soak_s: float, insist: bool, listen_first_s: float
    ) -> LineReport:
        """Listen, ask under varied conditions, count; see `Job.check_line`."""
        job = self.job
        job.emit(StepStarted(Step.LINE, words.line_intent(addresses, soak_s)))
        try:
            report = await self._work(addresses, soak_s, insist, listen_first_s)
        except InputError as error:
            job.emit(StepFinished(Step.LINE, StepEnd.FAILED, error.cause))
            raise
        end = StepEnd.STOPPED if job.should_stop() else StepEnd.DONE
        job.emit(StepFinished(Step.LINE, end, words.line_summary(report)))
        return report

    async def _work(
        self, addresses: tuple[int, ...], soak_s: float, insist: bool, listen_first_s: float
    ) -> LineReport:
        job = self.job
        if not job.bus.is_serial:
            raise InputError(NO_LINE, words.NOT_SERIAL_NEXT)
        if not addresses:
            raise InputError(NOBODY, "Give addresses, or search the line first.")
        overheard = await self._listen_first(insist, listen_first_s)
        start_s = job.bus_time_s
        devices = [job.devices.get(a) or Device(a) for a in addresses]
        shared = {
            address: finding.probability
            for (code, address), finding in job.findings.items()
            if code == "duplicate-address" and address is not None
        }
        check = await check_line(
            job.bus,
            devices,
            shared=shared,
            observe=job.progress(Step.LINE),
            on_exchange=self._tell,
            should_stop=job.should_stop,
            overheard=overheard,
        )
        weighed, counts, errors = check.weighed, check.tallies, check.errors
        for address, verdict in check.duplicates.items():
            job.tell_of_duplicate(verdict, job.devices.get(address))
        if soak_s > 0 and not job.should_stop():
            start_s = job.bus_time_s
            counted = await soak(
                job.bus,
                check.test.targets,
                soak_s,
                observe=job.progress(Step.LINE),
                on_counts=self._count,
                should_stop=job.should_stop,
                patience=check.test.patience,
            )
            counts, errors = counted.tallies, counted.errors
            samples = (*check.test.samples, *counted.recent)
            weighed = weigh(
                samples, check.test.character_s, check.test.duplicates, check.test.alone
            )
        job.emit(LineWeighed(weighed))
        job.emit(LineCounted(tuple(deepcopy(list(counts.values()))), job.bus_time_s - start_s))
        concerned: tuple[int | None, ...] = (None, *addresses)
        for each_address in concerned:
            job.clear_findings(each_address, LINE_CODES)
        for each in line_findings(weighed):
            job.raise_finding(each)
        return LineReport(weighed, counts, errors, check.marks, job.bus_time_s - start_s)

    async def _listen_first(self, insist: bool, listen_first_s: float) -> Overheard | None:
        job = self.job
        if listen_first_s <= 0:
            return None
        observe = job.progress(Step.LINE)
        observe(Progress(0, 0, listen_first_s, "listening, nothing is sent yet"))
        manners = await listen_first(job.bus, listen_first_s, observe, job.should_stop)
        found = words.heard_first(manners)
        if found is not None:
            job.raise_finding(found)
            if not insist:
                raise words.heard_first_error(found, manners)
        return manners.overheard

    def _tell(self, test: LineTest) -> None:
        if len(test.samples) % _TELL_EVERY == 0:
            self.job.emit(LineWeighed(test.weighed))

    def _count(self, counted: Soak) -> None:
        self.job.emit(LineCounted(tuple(deepcopy(list(counted.tallies.values()))), counted.seconds))
        del self.job.exchanges[:-_KEPT_EXCHANGES]
