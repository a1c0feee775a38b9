"""The parts of the documents of `bench`, `verify`, `recording` and `report`."""

from __future__ import annotations

from typing import Literal

from busprobe.cli.documents_base import EvidencePart, Part


class CheckPart(Part):
    """One check of what was expected against what was found."""

    name: str
    subject: str
    title: str
    planned: str
    found: str
    outcome: Literal["PASS", "FAIL", "NOT TESTED", "NOT APPLICABLE"]
    uncertainty: str
    evidence: list[EvidencePart]
    finding_codes: list[str]


class PlanPart(Part):
    """The plan that was held against the site."""

    file: str
    sha256: str
    """Of the file, hexadecimal."""
    site: str


class PlannedDevicePart(Part):
    """A device that was found and put into the first plan."""

    address: int
    device: str
    serial: str
    settings: str | None
    """Line settings at which it answers; null on Modbus TCP."""
    serials: list[str]
    """Serial numbers at its address, where more than one device answers there."""


class FirstPlanResult(Part):
    """Result of `plan`."""

    file: str | None
    """Where the plan was written; null where it is only in `text`."""
    text: str
    """The plan, as YAML."""
    devices: list[PlannedDevicePart]
    mistakes: list[str]
    """What the rules of a plan refuse: name, line, column, place, text."""
    advice: list[str]
    """What should be looked at, likewise: roles that are still open, say."""


class VerifyResult(Part):
    """Result of `verify`."""

    plan: PlanPart
    state: Literal["as-found", "as-left"]
    checks: list[CheckPart]
    """In the order of the plan."""
    complete: bool
    """Whether every check that the plan implies was gone through."""


class RecordedChangePart(Part):
    """A change of address or line settings that was written."""

    time: str
    """ISO 8601 with offset."""
    device: str
    serial: str
    before: str
    """Address and line settings."""
    after: str
    """The same, as it was wanted."""
    state: str
    """How it ended, as in `readdress`."""
    text: str
    confirmed_by: str
    writes: list[str]


class RecordingResult(Part):
    """Result of `recording`."""

    endpoint: str
    """The LINK argument it was made with."""
    started: str
    """ISO 8601 with offset."""
    version: str
    """Version of busprobe that made it."""
    duration_s: float
    chunks: int
    bytes_sent: int
    bytes_received: int
    exchanges: int
    damaged_rows: int
    """Rows that could not be read and are left out."""
    missing_bytes: int = 0
    """What is missing at the end of a file that was cut off."""
    changes: list[RecordedChangePart]
    """Changes of address or line settings that were written, in order."""


class ReportFilePart(Part):
    """A file that was written."""

    kind: Literal["html", "json", "pdf"]
    file: str
    sha256: str
    """Hexadecimal."""


class ReportResult(Part):
    """Result of `report`; the report itself is in the files."""

    id: str
    conclusion: Literal["PASS", "FAIL", "INCOMPLETE"]
    state: Literal["as-found", "as-left"]
    """State of the site that the conclusion speaks of."""
    passed: int
    """Checks, as are the next three."""
    failed: int
    not_tested: int
    not_applicable: int
    open_defects: int
    """Faults and warnings."""
    files: list[ReportFilePart]
