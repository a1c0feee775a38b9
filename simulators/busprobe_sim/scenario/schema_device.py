"""The devices of a scenario file."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from busprobe_sim.scenario.device_types import with_type
from busprobe_sim.scenario.schema_base import (
    Address,
    NotNegative,
    Part,
    Positive,
    Rate,
    Settings,
)
from busprobe_sim.scenario.schema_line import TransceiverPart

Phase = Literal["L1", "L2", "L3"]
ObjectId = Annotated[int, Field(ge=0x80, le=0xFF)]
Word = Annotated[int, Field(ge=0, le=0xFFFF)]


class CtPart(Part):
    """One CT."""

    conductor: Literal["L1", "L2", "L3", "N", "none"] | None = None
    """Where it is clamped; where it belongs if left out."""
    reversed: bool = False
    """The wrong way round."""
    ratio: Positive = 1.0
    """Indicated over true current."""
    angle_deg: float = 0.0
    """Phase displacement on top of the class [degree]."""


class MeasuresPart(Part):
    """What a meter measures, and how well."""

    point: str = "grid"
    """Measuring point: "grid", a feeder or a source of the site."""
    connection: Literal["3p4w", "3p3w"] = "3p4w"
    """Four wires, or three wires with two elements (CTs on L1 and L3, voltages against L2)."""
    positive: Literal["import", "export"] = "import"
    """Which direction it shows positive."""
    cts: dict[Phase, CtPart] = Field(default_factory=dict)
    """CTs that are not as they should be, by current input."""
    leads: dict[Phase, Literal["L1", "L2", "L3", "N", "open"]] = Field(default_factory=dict)
    """Voltage leads that are not where they belong, by voltage input."""
    neutral: Literal["N", "L1", "L2", "L3", "open"] | None = None
    """Conductor of the neutral input, if it is the wrong one."""
    accuracy_class: Positive = 1.0
    """Class index [percent]."""
    noise: bool = True
    """Noisy readings."""
    starting_a: NotNegative = 0.02
    """Below this current it shows nothing [A]."""
    refresh_s: Positive = 1.0
    """Refresh interval of its registers [s]."""
    skewed: bool = True
    """Voltages, currents and powers are refreshed at different instants."""
    netting: Literal["vectorial", "arithmetic"] = "vectorial"
    """How its totals count."""


class SunSpecPart(Part):
    """A SunSpec map."""

    base: Literal[0, 40000, 50000] = 40000
    """Address of the marker."""
    common_length: Literal[65, 66] = 66
    """Length of the common model."""
    device_address: bool = True
    """Whether the common model holds the device address."""
    models: Annotated[tuple[int, ...], Field(min_length=1)] = (203,)
    """Models behind the common model: 201-204, 211-214, 103, 113."""
    scales: dict[str, Annotated[int, Field(ge=-10, le=10)]] = Field(default_factory=dict)
    """Scale factors that differ from the usual ones, by name."""

    @model_validator(mode="after")
    def _known_models(self) -> SunSpecPart:
        known = {201, 202, 203, 204, 211, 212, 213, 214, 103, 113}
        for model_id in self.models:
            if model_id not in known:
                raise ValueError(f"model {model_id} is not simulated")
        return self


class RegisterPart(Part):
    """One value of a register map without SunSpec."""

    address: Word
    """First register, as sent."""
    quantity: str = ""
    """Name of the quantity (P_L1, V_L2, E_import ...), or nothing for a constant."""
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "int64", "uint64"] = "int16"
    """Form of the number."""
    step: Positive = 1.0
    """Value of one count."""
    constant: float = 0.0
    """Content of a constant."""
    low_word_first: bool = False
    """Order of the words."""


class KeyPart(Part):
    """A register that wants one certain value."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    value: Word
    """What it wants."""


class ChangeHabitsPart(Part):
    """What the device does when its address or settings are written."""

    effect: Literal["at-once", "after-save", "after-power-cycle"] | None = None
    """When new values come into force; at once, or after 'save', if left out."""
    answers: Literal["old", "new", "none"] = "old"
    """Where the write that moves it is answered from: the old place, the new one, or not at all."""
    away_s: NotNegative = 0.0
    """It restarts by itself and answers nobody for so long [s]; 0 when it does not."""
    away_after_s: NotNegative = 0.0
    """It goes on answering at the new place for so long before that [s]."""
    forgets: bool = False
    """It saves nothing: after a restart it is back at its old place."""
    refuses_save: Annotated[int, Field(ge=0, le=255)] = 0
    """Exception code with which it refuses to save; 0 when it saves."""
    ignores: bool = False
    """It accepts the write, and its register goes on holding the old value."""


class SettingRegistersPart(Part):
    """Registers that change the device's address or line settings."""

    address_register: Word
    """Holds the address."""
    baud_register: Word | None = None
    """Holds a code for the rate."""
    baud_codes: dict[Word, Positive] = Field(default_factory=dict)
    """Rate [bit/s] by code."""
    parity_register: Word | None = None
    """Holds a code for the parity."""
    parity_codes: dict[Word, Literal["N", "E", "O"]] = Field(default_factory=dict)
    """Parity by code."""
    stop_register: Word | None = None
    """Holds a code for the stop bits."""
    stop_codes: dict[Word, Literal[1, 2]] = Field(default_factory=dict)
    """Stop bits by code."""
    unlock: KeyPart | None = None
    """Must be written first."""
    save: KeyPart | None = None
    """Must be written last."""
    lowest: Address = 1
    """Lowest address it takes."""
    highest: Address = 247
    """Highest address it takes."""
    habits: ChangeHabitsPart = ChangeHabitsPart()
    """What it does when they are written."""


class FirmwarePart(Part):
    """What the device's server supports."""

    functions: tuple[Annotated[int, Field(ge=1, le=127)], ...] = (3,)
    """Function codes: 3, 4, 6, 8, 16, 17, 43."""
    read_limit: Annotated[int, Field(ge=1, le=125)] = 125
    """Most registers in one read."""
    address_first: bool = False
    """Checks the address before the quantity."""
    gaps_read_zero: bool = False
    """Holes of a map without SunSpec read 0."""
    extended_identification: dict[ObjectId, str] = Field(default_factory=dict)
    """Further objects of Read Device Identification."""
    settings: SettingRegistersPart | None = None
    """Setting registers."""


class TimingPart(Part):
    """When and whether it answers."""

    turnaround_ms: NotNegative = 20.0
    """Least time from the end of the request to the start of the answer [ms]."""
    loop_ms: NotNegative = 2.0
    """The answer comes up to this much later, uniformly (loop time of the firmware) [ms]."""
    framing: Literal["strict", "tolerant"] = "strict"
    """Whether it finds a request by silence or by its structure."""
    min_gap_ms: NotNegative = 0.0
    """It does not notice a request that begins sooner after other traffic [ms]."""
    on_other_request: Literal["send", "abort"] = "send"
    """What becomes of a pending answer when another request is heard."""
    listens_first: bool = False
    """It drops its answer when it heard anything since the request."""
    drop_rate: Rate = 0.0
    """Share of requests that it ignores."""
    foreign_answer_rate: Rate = 0.0
    """Share of requests to others that it answers, with its own address."""
    cut_first_byte_rate: Rate = 0.0
    """Share of answers without their first byte."""
    cut_last_byte_rate: Rate = 0.0
    """Share of answers without their last byte."""
    late_last_byte_rate: Rate = 0.0
    """Share of answers whose last byte leads the next one."""
    pause_after: Annotated[int, Field(ge=0)] = 0
    """Its answers pause after so many bytes; 0 for never."""
    pause_ms: NotNegative = 0.0
    """Length of that pause [ms]."""
    keeps_t1_5: bool = False
    """A strict device that drops a request with a silence of more than t1.5 inside."""
    sync_loss_rate: Rate = 0.0
    """Share of frames for others after which it is deaf for a while."""
    resync_ms: NotNegative = 500.0
    """How long it is deaf then [ms]."""
    never_stops: bool = False
    """It has locked up: it sends bytes of no frame without end, and answers nobody."""


class QuirkPart(Part):
    """One oddity."""

    kind: Literal[
        "swapped-words",
        "model-length",
        "chain-end",
        "chain-loop",
        "scale-toggle",
        "pad",
        "restarted-counters",
        "text",
        "every-second-refused",
        "stuck",
        "register",
        "hole",
        "short-model",
        "wrong-refusal",
    ]
    """Which one."""
    model: int = 1
    """The model that is odd."""
    by: int = -1
    """How far the length is wrong [registers]."""
    how: Literal["zero", "exception", "short"] = "zero"
    """How the chain ends."""
    scale: str = "W_SF"
    """The scale factor that toggles by one, every few seconds."""
    value: Word = 0x5A5A
    """Content of a pad register."""
    point: Literal["Mn", "Md", "Opt", "Vr", "SN"] = "Md"
    """The text that is replaced."""
    hex: Annotated[str, Field(pattern=r"^([0-9A-Fa-f]{2} ?)*$")] = ""
    """What it is replaced with."""
    seconds: NotNegative = 60.0
    """When a restart is over, or values get stuck [s]."""
    code: Annotated[int, Field(ge=1, le=255)] = 6
    """Exception code."""
    name: str = ""
    """The point of the model that holds `hex` instead ("register"), or that is refused ("hole")."""


class DevicePart(Part):
    """One device on the line."""

    type: str | None = None
    """A device type of `device_types`; what is left out here comes from it."""
    name: Annotated[str, Field(min_length=1)]
    """How the scenario calls it."""
    address: Address
    """Its address."""
    maker: str = "Trollfen"
    """Who made it (an invented name)."""
    model: str = "TF 30"
    """Model."""
    version: str = "1.0"
    """Version."""
    serial: str = ""
    """Serial number."""
    position_m: NotNegative = 10.0
    """Where it sits on the line [m]."""
    settings: Settings | None = None
    """Line settings; those of the line if left out."""
    transceiver: TransceiverPart = TransceiverPart()
    """How it is connected."""
    measures: MeasuresPart = MeasuresPart()
    """What it measures."""
    sunspec: SunSpecPart | None = None
    """Its SunSpec map."""
    registers: tuple[RegisterPart, ...] = ()
    """Its register map without SunSpec."""
    firmware: FirmwarePart = FirmwarePart()
    """What its server supports."""
    timing: TimingPart = TimingPart()
    """When it answers."""
    quirks: tuple[QuirkPart, ...] = ()
    """Oddities."""

    @model_validator(mode="before")
    @classmethod
    def _of_type(cls, given: Any) -> Any:
        return with_type(given)

    @model_validator(mode="after")
    def _one_map(self) -> DevicePart:
        if (self.sunspec is None) == (not self.registers):
            raise ValueError("needs either 'sunspec' or 'registers'")
        chain = {"every-second-refused", "stuck"}
        if self.sunspec is None and any(q.kind not in chain for q in self.quirks):
            raise ValueError("has a quirk that only a SunSpec map can have")
        return self
