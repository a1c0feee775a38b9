"""What is known of the job, built from the session's events alone.

Events go in by `JobState.apply`, the screens read. Nothing here draws, and nothing here judges:
verdicts come from the session ready made.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from busprobe.diagnosis.wiring import WiringDiagnosis
from busprobe.model.device import Device
from busprobe.model.errors import BusprobeError
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.finding import Finding, Severity
from busprobe.model.line import Endpoint, LineSettings
from busprobe.model.reading import Reading, Snapshot
from busprobe.session import events

# Kept for the screen only: everything is in the recording anyway.
LONGEST_EXCHANGE_LIST = 20_000
LONGEST_TREND = 3_600

BUILT_STEPS = (events.Step.LINK, events.Step.FIND, events.Step.ADDRESSES, events.Step.WIRING)


class StepState(StrEnum):
    """Where a step of the job stands."""

    TO_DO = "to do"
    RUNNING = "running"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"
    NOT_HERE = "not in this version"


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


_SEVERITY_ORDER = (Severity.FAULT, Severity.WARNING, Severity.NOTE)
_ENDS = {
    events.StepEnd.DONE: StepState.DONE,
    events.StepEnd.STOPPED: StepState.STOPPED,
    events.StepEnd.FAILED: StepState.FAILED,
}


def _fresh_steps() -> dict[events.Step, StepView]:
    return {
        step: StepView(StepState.TO_DO if step in BUILT_STEPS else StepState.NOT_HERE)
        for step in events.Step
    }


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
        wiring_since_s: When that check began, on the link's clock [s].
        watched: Addresses whose live values are being read.
        dropped_exchanges: How many old exchanges are no longer kept for the screen.
    """

    endpoint: Endpoint | None = None
    settings: LineSettings | None = None
    error: BusprobeError | None = None
    opening: str = ""
    steps: dict[events.Step, StepView] = field(default_factory=_fresh_steps)
    devices: dict[int, Device] = field(default_factory=dict)
    findings: dict[tuple[str, int | None], Finding] = field(default_factory=dict)
    exchanges: deque[Exchange] = field(default_factory=deque)
    dropped_exchanges: int = 0
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
    watched: tuple[int, ...] = ()
    selected: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether there is a link to work on."""
        return self.endpoint is not None and self.error is None

    @property
    def running(self) -> events.Step | None:
        """The step that is running, or None."""
        for step, view in self.steps.items():
            if view.state is StepState.RUNNING:
                return step
        return None

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
                self.settings = settings
            case events.StepStarted(step, intent):
                self.steps[step] = StepView(StepState.RUNNING, intent)
                self.prompt = None
                self.hands_help = False
                self.watched = ()
                if step is events.Step.WIRING:
                    self.marks.clear()
                    self.wiring_since_s = self._now_s()
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

    def _open(self, endpoint: Endpoint, settings: LineSettings | None) -> None:
        selected = JobState()
        for name in ("devices", "findings", "exchanges", "outcomes", "counts", "trends",
                     "readings", "wiring", "marks", "steps"):  # fmt: skip
            setattr(self, name, getattr(selected, name))
        self.dropped_exchanges = 0
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
        if len(self.exchanges) >= LONGEST_EXCHANGE_LIST:
            self.exchanges.popleft()
            self.dropped_exchanges += 1
        self.exchanges.append(exchange)
        address = exchange.request.address
        asked, answered = self.counts.get(address, (0, 0))
        self.counts[address] = (asked + 1, answered + exchange.proves_device)
        self.outcomes[address] = exchange.outcome

    def _now_s(self) -> float:
        newest = [trend[-1].t_ns for trend in self.trends.values() if trend]
        return max(newest, default=0) / 1e9
