"""The machine-readable documents of the commands: other programs rely on them.

One document per call, `Document[Result]`. Names, units and meanings are stable within a schema
number.
"""

from __future__ import annotations

from typing import Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from busprobe.cli.documents_base import EvidencePart
from busprobe.cli.documents_base import Part as Part
from busprobe.cli.documents_base import SettingsPart as SettingsPart
from busprobe.cli.documents_bench import BenchResult
from busprobe.cli.documents_change import ReaddressResult
from busprobe.cli.documents_energy import BalanceResult
from busprobe.cli.documents_handover import (
    FirstPlanResult,
    RecordingResult,
    ReportResult,
    VerifyResult,
)
from busprobe.cli.documents_line import LineResult, ListenResult
from busprobe.cli.documents_training import TrainResult

SCHEMA: Literal["busprobe/1"] = "busprobe/1"


class LinkPart(Part):
    """The link that was used."""

    argument: str
    """The LINK argument as given."""
    kind: Literal["serial", "tcp", "rtu-over-tcp", "rfc2217", "simulated", "replay"]
    settings: SettingsPart | None
    """Line settings in force, null where the link has none."""


class FindingPart(Part):
    """Something that was found."""

    code: str
    severity: Literal["fault", "warning", "note"]
    address: int | None
    device: str | None
    summary: str
    cause: str
    probability: float = Field(ge=0.0, le=1.0)
    evidence: list[EvidencePart]
    remedy: str
    caution: str | None


class IdentityPart(Part):
    """Who a device says it is."""

    maker: str
    model: str
    version: str
    serial: str
    source: Literal["sunspec", "device-identification", "server-id", "profile", "none"]


class ModelPart(Part):
    """A SunSpec model in a map."""

    id: int
    length: int
    """Registers after the length register, as the device states it."""


class SunSpecPart(Part):
    """A SunSpec map."""

    base: int
    """0-based register address of the marker, as sent on the wire."""
    models: list[ModelPart]


class TurnAroundPart(Part):
    """End of request to start of answer."""

    median: float | None
    p95: float | None


class DevicePart(Part):
    """A device that answered."""

    address: int
    identity: IdentityPart
    sunspec: SunSpecPart | None
    profile: str | None
    duplicate: Literal["single", "duplicate", "undecided"]
    turnaround_ms: TurnAroundPart
    functions: list[int]
    settings: SettingsPart | None
    """Line settings at which it answers, null on Modbus TCP."""
    host: str | None = None
    """The host it answers at, where several were searched."""


class SearchedPart(Part):
    """What was searched."""

    addresses: list[int]
    settings: list[SettingsPart]
    silent_ms: float | None
    """Nobody at the silent addresses answers within this time [ms]; null where none is silent."""


class ScanResult(Part):
    """Result of `scan`."""

    devices: list[DevicePart]
    silent: list[int]
    searched: SearchedPart


class PointPart(Part):
    """One point of a register map."""

    value: float | int | str | None
    unit: str
    raw: list[int]
    state: Literal["ok", "not-implemented", "suspect"]


class ReadModelPart(Part):
    """A model with its points."""

    id: int | None
    """SunSpec model number, null for a device profile."""
    name: str
    address: int
    """0-based register address of its ID register."""
    length: int
    points: dict[str, PointPart]


class SignPart(Part):
    """What is known of the sign of power at this meter."""

    convention: Literal["import-positive", "export-positive", "unknown"]
    """What a positive power means in the registers."""
    applied: bool
    """Whether the quantities are import positive (else they stand as the meter has them)."""
    text: str


class ReadResult(Part):
    """Result of `read`."""

    address: int
    identity: IdentityPart
    models: list[ReadModelPart]
    quantities: dict[str, float]
    """SI units; powers import positive once the sign is known."""
    sign: SignPart


class DuplicatePart(Part):
    """Verdict at one address."""

    address: int
    verdict: Literal["single", "duplicate", "silent", "undecided"]
    probability: float = Field(ge=0.0, le=1.0)
    exchanges: int
    bus_time_s: float
    serials: list[str]


class DuplicatesResult(Part):
    """Result of `duplicates`."""

    addresses: list[DuplicatePart]


class CtPart(Part):
    """One CT."""

    input: str
    conductor: Literal["L1", "L2", "L3", "N", "none"]
    direction: Literal["forward", "reversed", "unknown"]
    ratio: float | None


class VoltagePart(Part):
    """One voltage lead."""

    input: str
    conductor: Literal["L1", "L2", "L3", "N", "open"]


class ExplanationPart(Part):
    """One wiring that fits the evidence."""

    probability: float
    cts: list[CtPart]
    voltages: list[VoltagePart]
    neutral: Literal["N", "L1", "L2", "L3", "open"]
    remedy: str


class StepPart(Part):
    """A switching of the known load, as the meter saw it."""

    t: float
    conductor: str
    dP: list[float]
    dQ: list[float]


class WiringResult(Part):
    """Result of `wiring`."""

    address: int | None
    """Address of the meter, null when a series was given."""
    verdict: Literal["correct", "fault", "ambiguous", "inconsistent", "undecided"]
    probability: float
    explanations: list[ExplanationPart]
    sign: Literal["import-positive", "export-positive", "unknown"]
    not_identifiable: list[str]
    next_experiment: str | None
    steps: list[StepPart]


class DoctorPart(Part):
    """One look at this computer."""

    area: str
    good: bool | None
    """True well, false to be mended, null worth knowing."""
    found: str
    mend: str
    """What to do, or empty."""


class DoctorResult(Part):
    """Result of `doctor`."""

    system: str
    python: str
    looks: list[DoctorPart]


class DecodedFramePart(Part):
    """A frame in pasted bytes."""

    offset: int
    length: int
    role: Literal["request", "response", "exception"]
    address: int
    function: int
    text: str


class JunkPart(Part):
    """Bytes that belong to no frame."""

    offset: int
    hex: str
    meaning: str


class DecodeResult(Part):
    """Result of `decode`."""

    frames: list[DecodedFramePart]
    junk: list[JunkPart]


class PortPart(Part):
    """A serial port of this computer."""

    device: str
    description: str
    usb: str | None
    """USB vendor and product id, "VVVV:PPPP"."""
    serial_number: str | None
    location: str | None
    stable_name: str | None
    """A name that survives replugging."""
    driver: str | None
    latency_ms: int | None
    """Latency timer of the adapter [ms], null when it cannot be known."""
    character_marks: Literal["by-character", "by-packet", "unknown"]
    """How far its driver tells framing and parity errors of single characters."""
    permitted: bool | None
    """Whether this user may open it, null when unknown."""
    busy: bool | None
    """Whether a program has it open, null when unknown."""


class PortsResult(Part):
    """Result of `ports`."""

    ports: list[PortPart]


class ScenarioPart(Part):
    """A scenario that is shipped."""

    name: str
    title: str
    story: str


class SimulateResult(Part):
    """Result of `simulate --list`."""

    scenarios: list[ScenarioPart]


ResultT = TypeVar("ResultT", bound=Part)


class Document(Part, Generic[ResultT]):
    """What `--json` prints."""

    model_config = ConfigDict(frozen=True, extra="forbid", serialize_by_alias=True)

    schema_: Literal["busprobe/1"] = Field(default=SCHEMA, alias="schema")
    command: str
    version: str
    started: str
    """ISO 8601 with offset."""
    link: LinkPart | None
    """Null for commands that use no link."""
    bus_time_s: float
    exchanges: int
    recordings: list[str]
    """Files in which this call was recorded, one per line; empty where nothing is kept."""
    findings: list[FindingPart]
    result: ResultT


class ErrorDocument(Part):
    """What `--json` prints when the call could not be carried out."""

    model_config = ConfigDict(frozen=True, extra="forbid", serialize_by_alias=True)

    schema_: Literal["busprobe/1"] = Field(default=SCHEMA, alias="schema")
    command: str
    version: str
    error: str
    """What happened."""
    next_step: str
    """What to do."""


RESULTS: dict[str, type[Part]] = {
    "scan": ScanResult,
    "read": ReadResult,
    "watch": ReadResult,
    "duplicates": DuplicatesResult,
    "wiring": WiringResult,
    "balance": BalanceResult,
    "decode": DecodeResult,
    "listen": ListenResult,
    "line": LineResult,
    "ports": PortsResult,
    "bench": BenchResult,
    "doctor": DoctorResult,
    "readdress": ReaddressResult,
    "verify": VerifyResult,
    "plan": FirstPlanResult,
    "recording": RecordingResult,
    "report": ReportResult,
    "simulate": SimulateResult,
    "train": TrainResult,
}


def json_schema(command: str) -> dict[str, object]:
    """JSON Schema of the document that a command prints.

    Raises:
        KeyError: The command prints no document.
    """
    document: type[BaseModel] = Document[RESULTS[command]]  # type: ignore[valid-type]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **document.model_json_schema(by_alias=True, mode="serialization"),
    }
