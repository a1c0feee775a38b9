"""What a device profile file may say.

A profile describes a device without SunSpec map (its registers), or adds to one with such a map how
its address and line settings are changed. The files are checked against these models; see
`device_profiles/README.md` for the format in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from busprobe.model.reading import PHASES, SignConvention
from busprobe.profiles.definitions import PointType
from busprobe.profiles.reads import MOST_REGISTERS

Word = Annotated[int, Field(ge=0, le=0xFFFF)]
# Modbus over Serial Line V1.02, section 2.2: individual addresses.
Address = Annotated[int, Field(ge=1, le=247)]
Name = Annotated[str, Field(min_length=1, max_length=60)]
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
ValueType = Literal[
    "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "string"
]
SIZES: Mapping[str, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "int64": 4,
    "uint64": 4,
    "float32": 2,
    "float64": 4,
}

_LINES = ("L1L2", "L2L3", "L3L1")


def _quantity_units() -> dict[str, str]:
    """Every quantity name of `busprobe.model.reading` and its unit."""
    units = {"F": "Hz", "P": "W", "Q": "var", "S": "VA", "PF": ""}
    units |= {"E_import": "Wh", "E_export": "Wh", "Eq_import": "varh", "Eq_export": "varh"}
    for phase in PHASES:
        units |= {f"V_{phase}": "V", f"I_{phase}": "A"}
        for total in ("P", "Q", "S", "PF", "E_import", "E_export", "Eq_import", "Eq_export"):
            units[f"{total}_{phase}"] = units[total]
    units |= {f"V_{lines}": "V" for lines in _LINES}
    return units


QUANTITY_UNITS: Mapping[str, str] = _quantity_units()


class Part(BaseModel):
    """Part of a profile: nothing unknown, nothing changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class RegisterValue(Part):
    """A value in registers."""

    address: Word
    """First register, from 0 as sent on the wire (a manual that counts from 40001 means 0)."""
    type: ValueType
    """Form of the value."""
    registers: Annotated[int, Field(ge=1, le=MOST_REGISTERS)] | None = None
    """Registers of a string."""
    order: ByteOrder | None = None
    """Order of the bytes on the wire; that of the profile if left out."""

    @property
    def size(self) -> int:
        """How many registers the value takes."""
        return self.registers or SIZES.get(self.type, 1)

    @property
    def point_type(self) -> PointType:
        """The same form in the terms of SunSpec."""
        return PointType(self.type)

    @model_validator(mode="after")
    def _size_is_clear(self) -> Self:
        if self.type == "string" and self.registers is None:
            raise ValueError("a string needs 'registers', its length in registers")
        if self.type != "string" and self.registers not in (None, SIZES[self.type]):
            raise ValueError(f"{self.type} always takes {SIZES[self.type]} registers")
        if self.address + self.size > 0x10000:
            raise ValueError("reaches beyond register 65535")
        return self


class Measured(RegisterValue):
    """A value that the device measures."""

    quantity: str | None = None
    """Uniform quantity (V_L1, P_L2, E_import ...), or leave it out and give a name."""
    name: Name | None = None
    """Name of a value that is no uniform quantity."""
    unit: Annotated[str, Field(max_length=12)] = ""
    """Unit of a named value; a quantity always has its SI unit (kW: scale 1000)."""
    scale: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    """What one count is worth, in the unit."""
    absent: tuple[int, ...] = ()
    """Counts that mean "not measured"."""

    @property
    def label(self) -> str:
        """The quantity, or the name."""
        return self.quantity or self.name or ""

    @property
    def shown_unit(self) -> str:
        """Unit of the scaled value."""
        return QUANTITY_UNITS[self.quantity] if self.quantity else self.unit

    @model_validator(mode="after")
    def _name_is_clear(self) -> Self:
        if (self.quantity is None) == (self.name is None):
            raise ValueError("give either 'quantity' or 'name'")
        if self.scale == 0:
            raise ValueError("a scale of 0 makes every value 0")
        if self.quantity is None:
            return self
        unit = QUANTITY_UNITS.get(self.quantity)
        if unit is None:
            raise ValueError(f"{self.quantity!r} is no quantity that is known here")
        if self.type == "string":
            raise ValueError("a quantity is a number, not a string")
        if self.unit not in ("", unit):
            raise ValueError(
                f"{self.quantity} is in {unit or 'no unit'}: put the factor into 'scale'"
            )
        return self


class IdentityRule(Part):
    """What the device says of itself; ``*`` stands for any characters, case does not count."""

    maker: str | None = None
    """Maker."""
    model: str | None = None
    """Model."""
    version: str | None = None
    """Version of the firmware."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.maker is None and self.model is None and self.version is None:
            raise ValueError("give 'maker', 'model' or 'version'")
        return self


class ProbeRule(RegisterValue):
    """A value that only this device has in this place."""

    function: Literal[3, 4] | None = None
    """Function code of the read; that of the profile if left out."""
    equals: int | str | None = None
    """The value itself."""
    lowest: float | None = None
    """Or the lowest possible one."""
    highest: float | None = None
    """And the highest possible one."""

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        ranged = self.lowest is not None or self.highest is not None
        if (self.equals is None) == (not ranged):
            raise ValueError("give either 'equals', or 'lowest' and 'highest'")
        if (self.type == "string") != isinstance(self.equals, str):
            raise ValueError("a string is compared with text, a number with a number")
        if None not in (self.lowest, self.highest) and self.lowest > self.highest:  # type: ignore[operator]
            raise ValueError("'lowest' is above 'highest'")
        return self


class MatchRule(Part):
    """All of this must hold."""

    identity: IdentityRule | None = None
    """What the device says of itself."""
    probes: tuple[ProbeRule, ...] = ()
    """What its registers hold."""

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        if self.identity is None and not self.probes:
            raise ValueError("give 'identity' or 'probes'")
        return self


class ReadLimits(Part):
    """How the device likes to be read."""

    most_registers: Annotated[int, Field(ge=1, le=MOST_REGISTERS)] = MOST_REGISTERS
    """Most registers in one read."""
    bridge: Annotated[int, Field(ge=0, le=MOST_REGISTERS)] = 0
    """Most registers without meaning that a read may cross; 0 where the device refuses holes."""


class WriteStep(Part):
    """One register and the value it wants."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    value: Word
    """What is written."""


class AddressRegister(Part):
    """Where the device keeps its own address."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    lowest: Address = 1
    """Lowest address the device takes."""
    highest: Address = 247
    """Highest address the device takes."""

    @model_validator(mode="after")
    def _range_is_one(self) -> Self:
        if self.lowest > self.highest:
            raise ValueError("'lowest' is above 'highest'")
        return self


class BaudRegister(Part):
    """Where the device keeps its rate."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    codes: Annotated[dict[Word, Annotated[int, Field(ge=50, le=4_000_000)]], Field(min_length=1)]
    """Rate [bit/s] by the code in the register."""


class ParityRegister(Part):
    """Where the device keeps its parity."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    codes: Annotated[dict[Word, Literal["N", "E", "O"]], Field(min_length=1)]
    """Parity by the code in the register."""


class StopBitRegister(Part):
    """Where the device keeps its number of stop bits."""

    register_: Annotated[Word, Field(alias="register")]
    """Its address."""
    codes: Annotated[dict[Word, Literal[1, 2]], Field(min_length=1)]
    """Stop bits by the code in the register."""


class Settings(Part):
    """How address and line settings are changed: unlock, write, save, take effect."""

    read_function: Literal[3, 4] = 3
    """Function code that reads these registers back."""
    write_function: Literal[6, 16] = 6
    """Function code that writes them."""
    unlock: tuple[WriteStep, ...] = ()
    """Written first, in this order."""
    address: AddressRegister | None = None
    """The address; leave it out where it cannot be changed over the bus."""
    baud: BaudRegister | None = None
    """The rate."""
    parity: ParityRegister | None = None
    """The parity."""
    stop_bits: StopBitRegister | None = None
    """The stop bits."""
    save: tuple[WriteStep, ...] = ()
    """Written last, in this order."""
    takes_effect: Literal["at-once", "after-save", "after-power-cycle"] = "at-once"
    """When the new setting holds; the response to the last write still comes at the old one."""
    note: str = ""
    """What else the technician must know (a button to press, a cover to open)."""

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if not any((self.address, self.baud, self.parity, self.stop_bits)):
            raise ValueError("give 'address', 'baud', 'parity' or 'stop_bits'")
        if self.takes_effect == "after-save" and not self.save:
            raise ValueError("'after-save' needs 'save', what is written to save")
        return self


class IdentityRegisters(Part):
    """Where the device keeps what names it, beside its maker and model."""

    serial: RegisterValue | None = None
    """Serial number."""
    version: RegisterValue | None = None
    """Version of the firmware."""


class DeviceProfile(Part):
    """One kind of device."""

    format: Literal[1]
    """Version of this file format."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
    """Name of the profile: small letters, digits and hyphens."""
    maker: Name
    """Maker of the device."""
    model: Name
    """Model."""
    description: str = ""
    """In a sentence."""
    phases: Annotated[int, Field(ge=0, le=3)] = 3
    """Phases that it measures; 0 for a device that measures none."""
    system: Literal["3p4w", "3p3w", "split", "1p"] = "3p4w"
    """How it is connected."""
    sign: SignConvention = SignConvention.UNKNOWN
    """What its documentation says of a positive power; leave it out if that is not certain."""
    match: Annotated[tuple[MatchRule, ...], Field(min_length=1)]
    """Signs of this device: one of these rules must hold."""
    sunspec: bool = False
    """It has a SunSpec map: the profile then says only how its settings are changed."""
    function: Literal[3, 4] = 3
    """Function code that reads its registers."""
    order: ByteOrder = "ABCD"
    """Order of the bytes on the wire: ABCD high word first, CDAB low word first."""
    reads: ReadLimits = ReadLimits()
    """How it likes to be read."""
    identity: IdentityRegisters = IdentityRegisters()
    """Registers that name the single device."""
    registers: tuple[Measured, ...] = ()
    """What it measures."""
    settings: Settings | None = None
    """How its address and line settings are changed, if that is known."""

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        problems = [
            *self._kind_problems(),
            *self._register_problems(),
            *self._phase_problems(),
        ]
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def _kind_problems(self) -> list[str]:
        if self.sunspec and self.registers:
            return ["a SunSpec device needs no 'registers': its map names them"]
        if self.sunspec and self.settings is None:
            return ["a profile of a SunSpec device needs 'settings', it says nothing else"]
        if not self.sunspec and not self.registers:
            return ["give 'registers', or 'sunspec: true'"]
        return []

    def _register_problems(self) -> list[str]:
        problems = []
        labels = [entry.label for entry in self.registers]
        problems += [
            f"{label} occurs twice" for label in sorted(set(labels)) if labels.count(label) > 1
        ]
        ordered = sorted(self.registers, key=lambda entry: entry.address)
        for entry, following in pairwise(ordered):
            if following.address < entry.address + entry.size:
                problems.append(
                    f"{entry.label} at {entry.address} takes {entry.size} registers and reaches "
                    f"into {following.label} at {following.address}"
                )
        problems += [
            f"{entry.label} takes {entry.size} registers, more than one read may ask for"
            for entry in self.registers
            if entry.size > self.reads.most_registers
        ]
        return problems

    def _phase_problems(self) -> list[str]:
        if self.phases == 3 or self.sunspec:
            return []
        allowed = PHASES[: self.phases]
        beyond = [p for p in PHASES if p not in allowed]
        return [
            f"{entry.quantity} is of a phase beyond the {self.phases} that 'phases' names"
            for entry in self.registers
            if entry.quantity and any(phase in entry.quantity for phase in beyond)
        ]


def profile_schema() -> dict[str, Any]:
    """JSON Schema of a profile file, for editors."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **DeviceProfile.model_json_schema(),
    }
