"""What a session tells its faces: immutable events, in the order in which things happened."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

# Only for annotations: a face must show its first picture before any of it is loaded.
if TYPE_CHECKING:
    from collections.abc import Mapping

    from busprobe.diagnosis.balance import BalanceDiagnosis
    from busprobe.diagnosis.bench import BenchSheet
    from busprobe.diagnosis.duplicate import DuplicateVerdict
    from busprobe.diagnosis.line_health import Tally, Weighed
    from busprobe.diagnosis.listening import Conversation, Heard
    from busprobe.diagnosis.wiring import WiringDiagnosis
    from busprobe.model.check import Check
    from busprobe.model.device import Device
    from busprobe.model.errors import BusprobeError
    from busprobe.model.exchange import Exchange
    from busprobe.model.finding import Finding
    from busprobe.model.line import Endpoint, LineSettings
    from busprobe.model.reading import Reading, Snapshot
    from busprobe.procedures.change_plan import ChangePlan, ChangeResult
    from busprobe.session.values import SeparationResult, Stage, TourPlan


class Step(StrEnum):
    """The steps of the job, in the order in which a technician takes them.

    The bench test stands beside them: one meter on the table, before the visit.
    """

    LINK = "link"
    FIND = "find"
    ADDRESSES = "addresses"
    LINE = "line"
    WIRING = "wiring"
    ENERGY = "energy"
    HANDOVER = "handover"
    BENCH = "bench"


class StepEnd(StrEnum):
    """How a step ended."""

    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class LinkOpened:
    """The link is open; settings are None on Modbus TCP or while they are still unknown."""

    endpoint: Endpoint
    settings: LineSettings | None


@dataclass(frozen=True, slots=True)
class LinkLost:
    """The link could not be opened, or was lost; nothing more will be heard."""

    error: BusprobeError


@dataclass(frozen=True, slots=True)
class SettingsFound:
    """The line settings at which somebody answered."""

    settings: LineSettings


@dataclass(frozen=True, slots=True)
class StepStarted:
    """A step began.

    Attributes:
        step: Which one.
        intent: What it will do on the bus, in words.
    """

    step: Step
    intent: str


@dataclass(frozen=True, slots=True)
class StepProgress:
    """A step goes on.

    Attributes:
        done: Units of work done, of `total`.
        remaining_s: Expected remaining time [s], None when it cannot be known.
        text: What is being done right now.
    """

    step: Step
    done: int
    total: int
    remaining_s: float | None
    text: str


@dataclass(frozen=True, slots=True)
class StepFinished:
    """A step ended, with one sentence on how."""

    step: Step
    end: StepEnd
    summary: str


@dataclass(frozen=True, slots=True)
class DeviceKnown:
    """A device was found, or more is known of it; replaces what was known of its address."""

    device: Device


@dataclass(frozen=True, slots=True)
class ExchangeMade:
    """A request was made on the bus."""

    exchange: Exchange


@dataclass(frozen=True, slots=True)
class ReadingsTaken:
    """A device was read.

    Attributes:
        snapshot: The uniform quantities.
        readings: Every point of its register map.
    """

    snapshot: Snapshot
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class FindingRaised:
    """Something was found; replaces an earlier finding with the same code and address."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class FindingCleared:
    """An earlier finding no longer holds."""

    code: str
    address: int | None


@dataclass(frozen=True, slots=True)
class OperatorAsked:
    """The technician is asked to do something with their hands.

    Attributes:
        request: What to do, in words.
        phase: The phase it concerns, or "".
        on: Whether the load is to be switched on (else off).
        answerable: Whether a simulated pair of hands can do it (training and demo).
    """

    request: str
    phase: str
    on: bool
    answerable: bool


@dataclass(frozen=True, slots=True)
class OperatorAnswered:
    """The technician did, or refused, what was asked last.

    Attributes:
        done: True done, False refused.
        exchanges: Exchanges on the bus between question and answer.
    """

    done: bool
    exchanges: int


@dataclass(frozen=True, slots=True)
class HandworkBegun:
    """A procedure that may ask for hands begins.

    Attributes:
        step: Which one.
        addresses: The meters that it reads.
        attended: Whether there is somebody to ask.
        timing: Its times by name [s], and its counts.
    """

    step: Step
    addresses: tuple[int, ...]
    attended: bool
    timing: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class WiringSeen:
    """The wiring verdict at a meter so far."""

    address: int
    diagnosis: WiringDiagnosis


@dataclass(frozen=True, slots=True)
class BalanceSeen:
    """The energy balance of the site so far."""

    diagnosis: BalanceDiagnosis


@dataclass(frozen=True, slots=True)
class BenchSeen:
    """A bench test came to its end, or was stopped."""

    sheet: BenchSheet


@dataclass(frozen=True, slots=True)
class BenchTourPlanned:
    """What measuring a meter at every line setting would write; nothing is written unconfirmed.

    Attributes:
        address: The meter.
        device: Text that names it, safe to show.
        plan: Every write, or why there is none.
    """

    address: int
    device: str
    plan: TourPlan


@dataclass(frozen=True, slots=True)
class LineHeard:
    """What others say on the line, as far as listening has heard.

    Attributes:
        heard: What kind of thing is on the line, and at which settings.
        conversation: Who talks with whom.
    """

    heard: Heard
    conversation: Conversation


@dataclass(frozen=True, slots=True)
class CheckMade:
    """A check of plan against found was made; replaces one of the same name and subject."""

    check: Check


@dataclass(frozen=True, slots=True)
class LineWeighed:
    """What may be wrong with the line, as far as the experiment has gone.

    Attributes:
        weighed: Causes with their probabilities, likeliest first.
    """

    weighed: Weighed


@dataclass(frozen=True, slots=True)
class LineCounted:
    """Counts of a soak so far.

    Attributes:
        tallies: By address, as they are now (copies: they no longer change).
        seconds: How long it runs already [s].
    """

    tallies: tuple[Tally, ...]
    seconds: float


@dataclass(frozen=True, slots=True)
class DuplicateSeen:
    """Whether two devices answer at an address, and which serial numbers were heard there."""

    verdict: DuplicateVerdict


@dataclass(frozen=True, slots=True)
class ChangePlanned:
    """What a change of address would write; nothing is written before it is confirmed."""

    plan: ChangePlan


@dataclass(frozen=True, slots=True)
class ChangeEnded:
    """How a change of address or line settings ended.

    Attributes:
        plan: What was planned; None where it was refused before there was a plan.
        result: How things stand now; None where it was refused.
        refusal: Why it was refused and what to do first, or "".
        confirmed_by: Who confirmed it and how, or "" where nobody was asked.
        address: The address that the device had before.
    """

    plan: ChangePlan | None
    result: ChangeResult | None
    refusal: str
    confirmed_by: str = ""
    address: int = 0


@dataclass(frozen=True, slots=True)
class SeparationSeen:
    """A separation of two meters came a step further.

    Attributes:
        stage: How far it is.
        text: What was seen, in words.
    """

    stage: Stage
    text: str


@dataclass(frozen=True, slots=True)
class SeparationEnded:
    """How a separation of two meters ended."""

    result: SeparationResult


@dataclass(frozen=True, slots=True)
class RecordingBegun:
    """Everything on the link is kept from now on.

    Attributes:
        file: Where.
    """

    file: str


@dataclass(frozen=True, slots=True)
class PlanWritten:
    """A first plan was written, to be filled in by hand.

    Attributes:
        file: Where.
    """

    file: str


@dataclass(frozen=True, slots=True)
class ReportWritten:
    """The visit was written down.

    Attributes:
        files: What was written.
        conclusion: "PASS", "FAIL" or what the report ends with.
        text: The same in a sentence.
    """

    files: tuple[str, ...]
    conclusion: str
    text: str


@dataclass(frozen=True, slots=True)
class SeriesJudged:
    """A recorded series was judged.

    Attributes:
        file: The series.
        wiring: The wiring of its meter, where one meter was judged.
        balance: Whether its meters add up, where a site was judged.
        findings: What follows from it.
        error: Why it could not be judged, and what to do; "" where it was.
    """

    file: str
    wiring: WiringDiagnosis | None = None
    balance: BalanceDiagnosis | None = None
    findings: tuple[Finding, ...] = ()
    error: str = ""


@dataclass(frozen=True, slots=True)
class Exported:
    """A recording was written as files for other programs.

    Attributes:
        files: What was written.
        error: Why it was not, and what to do; "" where it was.
    """

    files: tuple[str, ...]
    error: str = ""


Event = (
    LinkOpened
    | LinkLost
    | SettingsFound
    | StepStarted
    | StepProgress
    | StepFinished
    | DeviceKnown
    | ExchangeMade
    | ReadingsTaken
    | FindingRaised
    | FindingCleared
    | OperatorAsked
    | OperatorAnswered
    | HandworkBegun
    | WiringSeen
    | BalanceSeen
    | BenchSeen
    | BenchTourPlanned
    | CheckMade
    | LineHeard
    | LineWeighed
    | LineCounted
    | DuplicateSeen
    | ChangePlanned
    | ChangeEnded
    | SeparationSeen
    | SeparationEnded
    | RecordingBegun
    | PlanWritten
    | ReportWritten
    | SeriesJudged
    | Exported
)
