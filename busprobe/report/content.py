"""What a report says, whatever it looks like: one content for every renderer, and `report.json`.

Every text in here is safe to show (`SafeText`), and every number is finite: what comes from a
device or a file that someone else made passes this border and no other.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import ConfigDict, Field

from busprobe.report.content_base import DefectState as DefectState
from busprobe.report.content_base import DuplicateWord as DuplicateWord
from busprobe.report.content_base import Finite as Finite
from busprobe.report.content_base import OutcomeWord as OutcomeWord
from busprobe.report.content_base import Part as Part
from busprobe.report.content_base import Probability as Probability
from busprobe.report.content_base import ResultWord as ResultWord
from busprobe.report.content_base import SafeText as SafeText
from busprobe.report.content_base import Sha256 as Sha256
from busprobe.report.content_base import State as State
from busprobe.report.content_bench import BenchEntry
from busprobe.report.content_photo import PhotoEntry
from busprobe.report.pictures.data import (
    BusPicture,
    CollisionPicture,
    EnergyPicture,
    HistogramPicture,
    PhasorPicture,
    TrendPicture,
)

SCHEMA: Literal["busprobe-report/1"] = "busprobe-report/1"


class Conclusion(Part):
    """The report in one line."""

    result: ResultWord
    """FAIL: a check failed or a fault is open. INCOMPLETE: none, but something was not tested."""
    text: SafeText
    state: State
    """The state of the site that it speaks of."""
    passed: int
    failed: int
    not_tested: int
    not_applicable: int


class Head(Part):
    """What this paper is."""

    id: SafeText
    revision: SafeText
    title: SafeText
    created: SafeText
    """ISO 8601 with offset."""
    program: SafeText
    """Program and version that made it."""
    proves: tuple[SafeText, ...]
    does_not_prove: tuple[SafeText, ...]


class Site(Part):
    """Where, for whom, when."""

    name: SafeText
    customer: SafeText
    address: SafeText
    order: SafeText
    grid_operator: SafeText
    metering_point: SafeText
    started: SafeText
    """ISO 8601 with offset; empty where nothing was recorded."""
    ended: SafeText
    weather: SafeText
    notes: tuple[SafeText, ...]


class Person(Part):
    """Somebody who answers for the report, or was there."""

    role: SafeText
    name: SafeText
    company: SafeText
    licence: SafeText


class Instrument(Part):
    """What was measured with."""

    kind: SafeText
    maker: SafeText
    model: SafeText
    serial: SafeText
    calibrated: SafeText
    certificate: SafeText
    accuracy: SafeText


class Source(Part):
    """A file that the report rests on."""

    kind: Literal["recording", "plan", "verification", "details"]
    file: SafeText
    sha256: Sha256
    state: State | None
    """State of the site that a recording shows."""
    note: SafeText


class RecordedLine(Part):
    """What one recording holds."""

    file: SafeText
    state: State
    link: SafeText
    """The LINK argument it was made with."""
    link_kind: SafeText
    program: SafeText
    started: SafeText
    duration_s: Finite
    work: tuple[SafeText, ...]
    """What was done, in the words of the program."""
    bytes_sent: int
    bytes_received: int
    frames: int
    """Whole frames, in either direction."""
    stray_bytes: int
    """Received bytes that belong to no frame."""
    exchanges: int
    damaged_rows: int
    """Rows that could not be read and are left out."""


class DeviceEntry(Part):
    """A device as it showed itself."""

    link: SafeText
    address: int
    name: SafeText
    """Its name in the details or the plan, or empty."""
    maker: SafeText
    model: SafeText
    version: SafeText
    serial: SafeText
    identity_source: SafeText
    models: tuple[int, ...]
    """SunSpec models in its map."""
    profile: SafeText
    settings: SafeText
    """Line settings at which it answers."""
    duplicate: DuplicateWord
    turnaround_median_ms: Finite | None
    turnaround_p95_ms: Finite | None
    phases: int


class Change(Part):
    """A setting that is another one as left."""

    subject: SafeText
    setting: SafeText
    before: SafeText
    after: SafeText


class MadeChange(Part):
    """A change of address or line settings that was written in a visit."""

    time: SafeText
    device: SafeText
    serial: SafeText
    before: SafeText
    """Address and line settings."""
    after: SafeText
    """The same, as it was wanted."""
    state: SafeText
    """How it ended: changed, rolled-back, ..."""
    text: SafeText
    """The same in a sentence or two."""
    confirmed_by: SafeText
    """Who confirmed it and how."""
    writes: tuple[SafeText, ...]
    """Every write that was made, and what came of it."""


class System(Part):
    """The system as found and as left."""

    as_found: tuple[DeviceEntry, ...]
    as_left: tuple[DeviceEntry, ...] | None
    """Null where no recording shows the site as left."""
    changes: tuple[Change, ...]
    made: tuple[MadeChange, ...] = ()
    """Changes that were written with this program, in order."""
    picture: BusPicture | None
    """The line as found; the first one where there are several."""
    more_pictures: tuple[BusPicture, ...] = ()
    """The other lines as found."""
    picture_as_left: BusPicture | None
    more_pictures_as_left: tuple[BusPicture, ...] = ()


class EvidenceEntry(Part):
    """One piece of evidence."""

    exchange: int | None
    """Number of the exchange in its recording."""
    text: SafeText


class CheckState(Part):
    """What came of a check in one state of the site."""

    outcome: OutcomeWord
    found: SafeText
    uncertainty: SafeText
    evidence: tuple[EvidenceEntry, ...]


class CheckEntry(Part):
    """A check, as found and as left."""

    name: SafeText
    subject: SafeText
    title: SafeText
    planned: SafeText
    as_found: CheckState | None
    as_left: CheckState | None

    @property
    def final(self) -> CheckState:
        """The state that counts: as left where it was checked again."""
        state = self.as_left or self.as_found
        assert state is not None
        return state


class CtEntry(Part):
    """Where a CT is clamped, and which way round."""

    input: SafeText
    conductor: SafeText
    direction: SafeText
    ratio: Finite | None


class LeadEntry(Part):
    """Where a voltage lead is connected."""

    input: SafeText
    conductor: SafeText


class ExplanationEntry(Part):
    """A wiring that fits what was measured."""

    probability: Probability
    cts: tuple[CtEntry, ...]
    voltages: tuple[LeadEntry, ...]
    neutral: SafeText
    remedy: SafeText


class LoadStepEntry(Part):
    """A switching of the known load, as the meter saw it."""

    t_s: Finite
    conductor: SafeText
    dp_w: tuple[Finite, ...]
    dq_var: tuple[Finite, ...]


class WiringEntry(Part):
    """The wiring of one meter."""

    address: int
    device: SafeText
    state: State
    verdict: Literal["correct", "fault", "ambiguous", "inconsistent", "undecided"]
    probability: Probability
    rests_on: SafeText
    """Where the verdict comes from."""
    sign: SafeText
    explanations: tuple[ExplanationEntry, ...]
    more_explanations: int
    """Explanations that fit as well but are not listed."""
    not_identifiable: tuple[SafeText, ...]
    next_experiment: SafeText
    steps: tuple[LoadStepEntry, ...]
    phasors: PhasorPicture | None
    trend: TrendPicture | None


class DeviceHealth(Part):
    """How the requests to one device went, at the settings at which it answers."""

    address: int
    device: SafeText
    state: State
    requests: int
    answered: int
    exceptions: int
    damaged: int
    """Bytes were heard, but no valid answer."""
    crowded: int
    """A valid answer with bytes beside it, or several answers."""
    strange: int
    """Answers from another address, to another request, or too late."""
    silent: int
    turnaround_median_ms: Finite | None
    turnaround_p95_ms: Finite | None
    turnaround_uncertainty_ms: Finite
    """How much less any turn-around may have been."""


class Health(Part):
    """How the line did."""

    devices: tuple[DeviceHealth, ...]
    histogram: HistogramPicture | None
    collision: CollisionPicture | None


class Defect(Part):
    """Something to be mended, or to be known."""

    code: SafeText
    severity: Literal["fault", "warning", "note"]
    address: int | None
    device: SafeText
    summary: SafeText
    cause: SafeText
    probability: Probability
    evidence: tuple[EvidenceEntry, ...]
    remedy: SafeText
    caution: SafeText
    state: DefectState
    """As left; "not found again" only where the site as left was tested for this very thing."""


class MeterReadings(Part):
    """The last complete reading of one meter in a state of the site."""

    address: int
    device: SafeText
    state: State
    time: SafeText
    sign: SafeText
    quantities: dict[SafeText, Finite]
    """SI units, signed as the meter signs them."""


class ReferenceEntry(Part):
    """A reading of a reference instrument beside that of the meter."""

    address: int
    quantity: SafeText
    unit: SafeText
    reference: Finite
    meter: Finite | None
    deviation_percent: Finite | None
    limit_percent: Finite | None
    outcome: OutcomeWord
    instrument: SafeText


class Balance(Part):
    """What the meters of the site make together."""

    picture: EnergyPicture
    time: SafeText
    spread_s: Finite
    """Time between the first and the last of these readings."""


class Report(Part):
    """The whole report."""

    schema_: Literal["busprobe-report/1"] = Field(default=SCHEMA, alias="schema")
    head: Head
    conclusion: Conclusion
    site: Site
    people: tuple[Person, ...]
    instruments: tuple[Instrument, ...]
    sources: tuple[Source, ...]
    recordings: tuple[RecordedLine, ...]
    system: System
    checks: tuple[CheckEntry, ...]
    checks_rest_on: SafeText
    wiring: tuple[WiringEntry, ...]
    balance: Balance | None
    bench: tuple[BenchEntry, ...] = ()
    """Meters that were tested on the table."""
    bench_only: bool = False
    """Whether it speaks of meters on the table, and of no site."""
    readings: tuple[MeterReadings, ...]
    references: tuple[ReferenceEntry, ...]
    health: Health
    photos: tuple[PhotoEntry, ...] = ()
    """Photos by name and hash; the pictures are in the page alone."""
    defects: tuple[Defect, ...]
    """Faults and warnings, faults first."""
    notes: tuple[Defect, ...]
    not_tested: tuple[SafeText, ...]
    next_verification: SafeText
    signatures: tuple[Person, ...]

    model_config = ConfigDict(serialize_by_alias=True)


def report_json(report: Report) -> str:
    """`report.json`: one fixed form, so that the same content has the same hash."""
    return (
        json.dumps(
            report.model_dump(mode="json", by_alias=True),
            sort_keys=True,
            indent=2,
            ensure_ascii=False,
            allow_nan=False,
        )
        + "\n"
    )


def report_schema() -> dict[str, Any]:
    """JSON Schema of `report.json`."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Report.model_json_schema(by_alias=True, mode="serialization"),
    }
