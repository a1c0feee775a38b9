"""What is known of the job, built from the session's events alone.

Events go in by `JobState.apply`, the screens read. Nothing here draws, and nothing here judges:
verdicts come from the session ready made.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from busprobe.model.device import Device
from busprobe.model.errors import BusprobeError
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.finding import Finding, Severity
from busprobe.model.line import Endpoint, LineSettings
from busprobe.model.reading import Reading, Snapshot
from busprobe.session import events
from busprobe.tui.exchange_log import ExchangeLog

# What is only passed on is not loaded before the first picture.
if TYPE_CHECKING:
    from busprobe.diagnosis.balance import BalanceDiagnosis
    from busprobe.diagnosis.bench import BenchSheet
    from busprobe.diagnosis.line_health import Tally, Weighed
    from busprobe.diagnosis.wiring import WiringDiagnosis
    from busprobe.model.check import Check

# Kept for the screen only: everything is in the recording anyway.
LONGEST_TREND = 3_600
LONGEST_SOAK_HISTORY = 2_000


class StepState(StrEnum):
    """Where a step of the job stands."""

    TO_DO = "to do"
    RUNNING = "running"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass(slots=True)
class StepView:
    """A step as it stands.

    Attributes:
        intent: What it does (or did) on the bus, in words.
        summary: How it ended.
    """

    state: StepState = StepState.TO_DO
    intent: str = ""
    summary: str = ""
    progress: events.StepProgress | None = None


@dataclass(frozen=True, slots=True)
class OperatorMark:
    """What the technician was asked, and when, on the link's clock [s]."""

    t_s: float
    phase: str
    on: bool


@dataclass(frozen=True, slots=True)
class SoakPoint:
    """Counts at one moment of a soak.

    Attributes:
        seconds: How long it ran by then [s].
        counts: Exchanges and failed ones so far, by address.
    """

    seconds: float
    counts: dict[int, tuple[int, int]]


_SEVERITY_ORDER = (Severity.FAULT, Severity.WARNING, Severity.NOTE)
_ENDS = {
    events.StepEnd.DONE: StepState.DONE,
    events.StepEnd.STOPPED: StepState.STOPPED,
    events.StepEnd.FAILED: StepState.FAILED,
}


def _fresh_steps() -> dict[events.Step, StepView]:
    return {step: StepView() for step in events.Step}


@dataclass(slots=True)
class JobState:
    """The job as the screens see it.

    Attributes:
        selected: Address of the device that is looked at, or None.
        outcomes: The last outcome at each address that was asked.
        counts: Requests made and answers heard, by address.
        marks: What was asked of the technician since the wiring check began.
        prompt: What is asked of the technician now, None while nothing is to be done.
        hands_help: Whether simulated hands do what is asked, from now on.
        wiring_address: The meter whose wiring is being checked, or was last.
        wiring_since_s: When its first reading was asked for, on the link's clock [s].
        verdicts: Serial numbers heard at an address, by address.
        listened: What others say on the line, None before anybody listened.
        weighed: What may be wrong with the line.
        tallies: Counts of the line check by address.
        soak: Counts of the soak over time.
        balance: Whether the meters of the site add up.
        balance_addresses: Address of each meter that takes part in the balance, by name.
        checks: Checks of plan against found, in the order in which they were first made.
        bench_checks: Checks of the bench test, likewise.
        bench: The whole bench test, None before it came to an end.
        bench_tour: What a tour through all line settings of a meter would write.
        recording: File in which everything is kept, or "".
        plan_file: A first plan that was written, or "".
        report: The report as it was last written.
        series: What came of the series that was last judged.
        exported: The files that were last exported.
        change: What a change of address would write; None while nothing is planned.
        change_end: How the last change of address ended.
        separation: What a separation of two meters has seen so far.
        separation_end: How it ended.
        settings_sought: Whether the line settings were not given, and are not found yet.
        watched: Addresses whose live values are being read.
        newest: The newest exchange at each address that was asked.
    """

    endpoint: Endpoint | None = None
    settings: LineSettings | None = None
    error: BusprobeError | None = None
    opening: str = ""
    steps: dict[events.Step, StepView] = field(default_factory=_fresh_steps)
    devices: dict[int, Device] = field(default_factory=dict)
    findings: dict[tuple[str, int | None], Finding] = field(default_factory=dict)
    exchanges: ExchangeLog = field(default_factory=ExchangeLog)
    newest: dict[int, Exchange] = field(default_factory=dict)
    outcomes: dict[int, Outcome] = field(default_factory=dict)
    counts: dict[int, tuple[int, int]] = field(default_factory=dict)
    trends: dict[int, deque[Snapshot]] = field(default_factory=dict)
    readings: dict[int, tuple[Reading, ...]] = field(default_factory=dict)
    wiring: dict[int, WiringDiagnosis] = field(default_factory=dict)
    marks: list[OperatorMark] = field(default_factory=list)
    prompt: events.OperatorAsked | None = None
    hands_help: bool = False
    wiring_address: int | None = None
    wiring_since_s: float = 0.0
    verdicts: dict[int, tuple[str, ...]] = field(default_factory=dict)
    listened: events.LineHeard | None = None
    weighed: Weighed | None = None
    tallies: dict[int, Tally] = field(default_factory=dict)
    soak: list[SoakPoint] = field(default_factory=list)
    balance: BalanceDiagnosis | None = None
    balance_addresses: dict[str, int] = field(default_factory=dict)
    checks: dict[tuple[str, str], Check] = field(default_factory=dict)
    bench_checks: dict[tuple[str, str], Check] = field(default_factory=dict)
    bench: BenchSheet | None = None
    bench_tour: events.BenchTourPlanned | None = None
    recording: str = ""
    plan_file: str = ""
    settings_sought: bool = False
    report: events.ReportWritten | None = None
    series: events.SeriesJudged | None = None
    exported: events.Exported | None = None
    change: events.ChangePlanned | None = None
    change_end: events.ChangeEnded | None = None
    separation: list[events.SeparationSeen] = field(default_factory=list)
    separation_end: events.SeparationEnded | None = None
    watched: tuple[int, ...] = ()
    _wiring_begins: bool = False
    _counts_told: bool = False
    selected: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether there is a link to work on."""
        return self.endpoint is not None and self.error is None

    @property
    def running(self) -> events.Step | None:
        """The step that is running, or None; a verification runs others as its parts."""
        if self.steps[events.Step.HANDOVER].state is StepState.RUNNING:
            return events.Step.HANDOVER
        for step, view in self.steps.items():
            if view.state is StepState.RUNNING:
                return step
        return None

    @property
    def listening(self) -> bool:
        """Whether others are being listened to."""
        return self.steps[events.Step.LINK].state is StepState.RUNNING

    @property
    def addresses(self) -> tuple[int, ...]:
        """Addresses of all known devices, rising."""
        return tuple(sorted(self.devices))

    @property
    def ordered_findings(self) -> list[Finding]:
        """Faults first, then warnings, then notes; by address within each."""
        return sorted(
            self.findings.values(),
            key=lambda f: (_SEVERITY_ORDER.index(f.severity), f.address or 0, f.code),
        )

    def findings_at(self, address: int) -> list[Finding]:
        """Findings that concern one address."""
        return [f for f in self.ordered_findings if f.address == address]

    def exchange(self, number: int) -> Exchange | None:
        """The exchange with this number, None where it is not kept."""
        place = self.exchanges.numbered(number)
        return None if place is None else self.exchanges[place]

    def latest(self, address: int) -> Snapshot | None:
        """The newest live values of a meter."""
        trend = self.trends.get(address)
        return trend[-1] if trend else None

    def apply_all(self, happened: Iterable[events.Event]) -> int:
        """Apply events in order; returns how many there were."""
        count = 0
        for event in happened:
            self.apply(event)
            count += 1
        return count

    def apply(self, event: events.Event) -> None:
        """Take in one event."""
        match event:
            case events.LinkOpened(endpoint, settings):
                self._open(endpoint, settings)
            case events.LinkLost(error):
                self._lose(error)
            case events.SettingsFound(settings):
                self.settings, self.settings_sought = settings, False
            case events.StepStarted(step, intent):
                self.steps[step] = StepView(StepState.RUNNING, intent)
                self.prompt = None
                self.hands_help = False
                self.watched = ()
                self._start(step)
            case events.StepProgress(step):
                self.steps[step].progress = event
            case events.StepFinished(step, end, summary):
                view = self.steps[step]
                view.state, view.summary = _ENDS[end], summary
                self.prompt = None
                self.hands_help = False
            case events.DeviceKnown(device):
                self.devices[device.address] = device
                if self.selected is None:
                    self.selected = device.address
            case events.ExchangeMade(exchange):
                self._exchange(exchange)
            case events.ReadingsTaken(snapshot, readings):
                trend = self.trends.setdefault(snapshot.address, deque(maxlen=LONGEST_TREND))
                trend.append(snapshot)
                self.readings[snapshot.address] = readings
                if self._wiring_begins:
                    self._wiring_begins, self.wiring_since_s = False, snapshot.t_ns / 1e9
            case events.FindingRaised(finding):
                self.findings[finding.code, finding.address] = finding
            case events.FindingCleared(code, address):
                self.findings.pop((code, address), None)
            case events.OperatorAsked(_, phase, on):
                self.prompt = None if self.hands_help and event.answerable else event
                self.marks.append(OperatorMark(self._now_s(), phase, on))
            case events.WiringSeen(address, diagnosis):
                self.wiring_address = address
                self.wiring[address] = diagnosis
            case _:
                self._apply_later_steps(event)

    def _apply_later_steps(self, event: events.Event) -> None:
        match event:
            case events.DuplicateSeen(verdict):
                self.verdicts[verdict.address] = verdict.serials
            case events.LineHeard():
                self.listened = event
            case events.LineWeighed(weighed):
                self.weighed = weighed
            case events.LineCounted(tallies, seconds):
                self._counts_told = True
                self.tallies = {tally.address: tally for tally in tallies}
                if len(self.soak) >= LONGEST_SOAK_HISTORY:
                    del self.soak[1::2]
                counts = {t.address: (t.exchanges, t.failed) for t in tallies}
                self.soak.append(SoakPoint(seconds, counts))
            case events.BalanceSeen(diagnosis):
                self.balance = diagnosis
            case events.CheckMade(check):
                on_bench = self.steps[events.Step.BENCH].state is StepState.RUNNING
                kept = self.bench_checks if on_bench else self.checks
                kept[check.name, check.subject] = check
            case events.BenchSeen(sheet):
                self.bench = sheet
            case events.BenchTourPlanned():
                self.bench_tour = event
            case events.ChangePlanned():
                self.change, self.change_end = event, None
            case events.ChangeEnded(plan, result):
                self.change, self.change_end = None, event
                if plan is not None and result is not None and result.address == plan.new_address:
                    self._moved(plan.device.address, plan.new_address)
            case events.SeparationSeen():
                self.separation.append(event)
            case events.SeparationEnded():
                self.change, self.separation_end = None, event
            case events.RecordingBegun(file):
                self.recording = file
            case events.PlanWritten(file):
                self.plan_file = file
            case events.ReportWritten():
                self.report = event
            case events.SeriesJudged():
                self.series = event
            case events.Exported():
                self.exported = event
            case _:
                pass

    def _start(self, step: events.Step) -> None:
        """What a step begins anew."""
        if step is events.Step.WIRING:
            self.marks.clear()
            self.wiring_since_s = self._now_s()
            self._wiring_begins = True
        elif step is events.Step.LINE:
            self.weighed, self.tallies, self.soak = None, {}, []
            self._counts_told = False
        elif step is events.Step.ENERGY:
            self.balance = None
        elif step is events.Step.BENCH:
            self.bench_checks, self.bench, self.report = {}, None, None

    def _moved(self, old: int, new: int) -> None:
        """A device answers at another address now."""
        if old == new:
            return
        for kept in (self.devices, self.verdicts, self.outcomes, self.counts):
            kept.pop(old, None)
        # The silence of the search no longer counts: somebody answers there now.
        self.outcomes.pop(new, None)
        if self.selected == old:
            self.selected = new

    def _open(self, endpoint: Endpoint, settings: LineSettings | None) -> None:
        selected = JobState()
        for name in ("devices", "findings", "exchanges", "newest", "outcomes", "counts", "trends",
                     "readings", "wiring", "marks", "steps", "verdicts", "listened", "weighed",
                     "tallies", "soak", "balance", "balance_addresses", "checks", "recording",
                     "bench_checks", "bench", "bench_tour", "plan_file", "report", "change",
                     "change_end", "separation", "separation_end"):  # fmt: skip
            setattr(self, name, getattr(selected, name))
        self.endpoint, self.settings = endpoint, settings
        self.error = self.prompt = self.selected = self.wiring_address = None
        self.watched = ()
        self.opening = ""
        self.steps[events.Step.LINK] = StepView(StepState.DONE, summary=endpoint.argument)

    def _lose(self, error: BusprobeError) -> None:
        self.error = error
        self.opening = ""
        self.prompt = None
        self.watched = ()
        for view in self.steps.values():
            if view.state is StepState.RUNNING:
                view.state, view.summary = StepState.FAILED, "The link was lost."
        self.steps[events.Step.LINK] = StepView(StepState.FAILED, summary=error.cause)

    def _exchange(self, exchange: Exchange) -> None:
        self.exchanges.append(exchange)
        address = exchange.request.address
        self.newest[address] = exchange
        asked, answered = self.counts.get(address, (0, 0))
        self.counts[address] = (asked + 1, answered + exchange.proves_device)
        if exchange.sent_at is None or address not in self.outcomes:
            # That a request at a rate that is off is not understood makes no device silent.
            self.outcomes[address] = exchange.outcome
        if self.steps[events.Step.LINE].state is StepState.RUNNING and not self._counts_told:
            self._count(exchange)
        wiring = self.steps[events.Step.WIRING]
        if self._wiring_begins and wiring.progress is not None:
            # The procedure tells its progress right before its first reading.
            self._wiring_begins = False
            self.wiring_since_s = exchange.request.t_start_ns / 1e9

    def _count(self, exchange: Exchange) -> None:
        """Counts of a line check that runs: it tells its own only at the end."""
        from busprobe.diagnosis.line_health import Tally

        address = exchange.request.address
        self.tallies.setdefault(address, Tally(address)).take(exchange)

    def _now_s(self) -> float:
        newest = [trend[-1].t_ns for trend in self.trends.values() if trend]
        return max(newest, default=0) / 1e9
