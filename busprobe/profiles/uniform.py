"""Readings of a meter or inverter as uniform quantities (`busprobe.model.reading`).

Signs stay as the device has them: the published definitions of the meter models 201-204 and
211-214 say nothing of the sign of W, VAR and PF, and devices of both conventions exist. Only model
701 fixes it ("Active power is positive for DER generation"). What the counters of the device prove
is told by `sign_from_counters`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from busprobe.model.device import ModelBlock
from busprobe.model.reading import PHASES, Reading, ReadingState, SignConvention, Snapshot
from busprobe.profiles import scalar
from busprobe.profiles.decode import SCALE_LIMIT
from busprobe.profiles.definitions import model_definition

# Letters of the phases in the names of the meter and inverter models.
_LETTERS = ("A", "B", "C")
_LINE_NAMES = (("AB", "L1L2"), ("BC", "L2L3"), ("CA", "L3L1"))

INT_METERS = (201, 202, 203, 204)
FLOAT_METERS = (211, 212, 213, 214)
INT_INVERTERS = (101, 102, 103)
FLOAT_INVERTERS = (111, 112, 113)
DER_MEASUREMENT = 701
METERS = INT_METERS + FLOAT_METERS
INVERTERS = (*INT_INVERTERS, *FLOAT_INVERTERS, DER_MEASUREMENT)

_SYSTEMS = {1: "1p", 2: "split", 3: "3p4w", 4: "3p3w"}
_PHASE_COUNTS = {"1p": 1, "split": 2, "3p4w": 3, "3p3w": 3}
# ACType of model 701.
_DER_SYSTEMS = {0: "1p", 1: "split", 2: "3p4w"}

# Beyond this a power factor is a percentage: "Pct" is 0.93, 93.0 or -96.91 in the field.
_PERCENT_FROM = 1.5


@dataclass(frozen=True, slots=True)
class Uniform:
    """Uniform quantities of one poll.

    Attributes:
        quantities: Value by quantity name, signed as the device signs it; missing ones are absent.
        steps: Register step (resolution) by quantity name; absent for floats, which hide theirs.
        suspect: Why a quantity may not be trusted, by name.
        phases: Phases that the map measures.
        system: "1p", "split", "3p4w" or "3p3w".
        sign: What the map itself says about the sign.
    """

    quantities: Mapping[str, float]
    steps: Mapping[str, float]
    suspect: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    phases: int = 0
    system: str = "3p4w"
    sign: SignConvention = SignConvention.UNKNOWN

    def snapshot(self, t_ns: int, address: int) -> Snapshot:
        """The quantities as a snapshot of the meter at an address."""
        return Snapshot(t_ns, address, self.quantities, self.sign)


def normal_power_factor(value: float) -> float | None:
    """A power factor as -1..1, whether it came as 0.93 or as 93; None when it is neither."""
    factor = value / 100 if abs(value) > _PERCENT_FROM else value
    return factor if abs(factor) <= _PERCENT_FROM else None


def _meter_points() -> dict[str, str]:
    names = {"W": "P", "VAR": "Q", "VA": "S", "PF": "PF", "Hz": "F"}
    names |= {"TotWhExp": "E_export", "TotWhImp": "E_import"}
    for letter, phase in zip(_LETTERS, PHASES, strict=True):
        names |= {f"Aph{letter}": f"I_{phase}", f"PhVph{letter}": f"V_{phase}"}
        names |= {f"Wph{letter}": f"P_{phase}", f"VARph{letter}": f"Q_{phase}"}
        names |= {f"VAph{letter}": f"S_{phase}", f"PFph{letter}": f"PF_{phase}"}
        names |= {f"TotWhExpPh{letter}": f"E_export_{phase}"}
        names |= {f"TotWhImpPh{letter}": f"E_import_{phase}"}
    for letters, lines in _LINE_NAMES:
        # Both spellings are published (public issue sunspec/models 21).
        names |= {f"PhVph{letters}": f"V_{lines}", f"PPVph{letters}": f"V_{lines}"}
    return names


def _inverter_points() -> dict[str, str]:
    names = {"W": "P", "VAr": "Q", "VA": "S", "PF": "PF", "Hz": "F"}
    # "AC Energy" of an inverter is what it produced (common practice, no source).
    names |= {"WH": "E_export"}
    for letter, phase in zip(_LETTERS, PHASES, strict=True):
        names |= {f"Aph{letter}": f"I_{phase}", f"PhVph{letter}": f"V_{phase}"}
    for letters, lines in _LINE_NAMES:
        names |= {f"PPVph{letters}": f"V_{lines}"}
    return names


def _der_points() -> dict[str, str]:
    names = {"W": "P", "Var": "Q", "VA": "S", "PF": "PF", "Hz": "F"}
    names |= {"TotWhInj": "E_export", "TotWhAbs": "E_import"}
    names |= {"TotVarhInj": "Eq_export", "TotVarhAbs": "Eq_import"}
    for phase in PHASES:
        names |= {f"W{phase}": f"P_{phase}", f"Var{phase}": f"Q_{phase}"}
        names |= {f"VA{phase}": f"S_{phase}", f"PF{phase}": f"PF_{phase}"}
        names |= {f"A{phase}": f"I_{phase}", f"V{phase}": f"V_{phase}"}
        names |= {f"TotWhInj{phase}": f"E_export_{phase}", f"TotWhAbs{phase}": f"E_import_{phase}"}
    for _, lines in _LINE_NAMES:
        names |= {f"V{lines}": f"V_{lines}"}
    return names


_POINTS: Mapping[int, Mapping[str, str]] = MappingProxyType(
    dict.fromkeys(METERS, _meter_points())
    | dict.fromkeys(INT_INVERTERS + FLOAT_INVERTERS, _inverter_points())
    | {DER_MEASUREMENT: _der_points()}
)
# Import and export quadrants of the meters' reactive counters, by their own names.
_REACTIVE_SUMS = {
    "Eq_import": ("TotVArhImpQ1", "TotVArhImpQ2"),
    "Eq_export": ("TotVArhExpQ3", "TotVArhExpQ4"),
}


def measures(model_id: int) -> bool:
    """Whether a model gives uniform quantities."""
    return model_id in _POINTS


def phase_count(model_id: int, readings: Iterable[Reading] = ()) -> int:
    """Phases that the map of a model measures; 0 for a model that measures none.

    Args:
        model_id: Number of the model.
        readings: Of the model; model 701 states its wiring in ACType.
    """
    system = _system(model_id, readings)
    return _PHASE_COUNTS.get(system, 0) if measures(model_id) else 0


def _system(model_id: int, readings: Iterable[Reading]) -> str:
    if model_id == DER_MEASUREMENT:
        for reading in readings:
            if reading.name == "ACType" and reading.raw:
                return _DER_SYSTEMS.get(reading.raw[0], "3p4w")
        return "3p4w"
    return _SYSTEMS.get(model_id % 10, "3p4w")


# Families of models, the best source first: meters before inverters, floats (which cannot wrap)
# before integers.
_FAMILIES = (FLOAT_METERS, INT_METERS, (DER_MEASUREMENT,), FLOAT_INVERTERS, INT_INVERTERS)


def best_measuring_block(models: Iterable[ModelBlock]) -> ModelBlock | None:
    """The model of a device to take uniform quantities from; the first where several are alike."""
    held = tuple(models)
    for family in _FAMILIES:
        for block in held:
            if block.model_id in family:
                return block
    return None


def _step(scale: str | int | None, by_name: Mapping[str, Reading]) -> float | None:
    if isinstance(scale, int):
        return float(scalar.scaled(1, scale))
    if scale is None:
        return 1.0
    factor = by_name.get(scale)
    if factor is None:
        return None
    exponent = factor.value
    # A scale factor that is not implemented, or impossible, was taken as 0 (see `decode`).
    if not isinstance(exponent, int) or abs(exponent) > SCALE_LIMIT:
        return 1.0
    return float(scalar.scaled(1, exponent))


def _steps(model_id: int, by_name: Mapping[str, Reading]) -> dict[str, float]:
    """Register step by point name, of the points that have one."""
    definition = model_definition(model_id)
    steps = {
        point.name: _step(point.scale, by_name)
        for point in (definition.group.points if definition else ())
        if point.name in by_name and point.type not in scalar.FLOATING
    }
    return {name: step for name, step in steps.items() if step is not None}


def uniform(model_id: int, readings: Iterable[Reading]) -> Uniform:
    """Uniform quantities of one SunSpec model.

    Args:
        model_id: A meter (201-204, 211-214) or inverter model (101-103, 111-113, 701).
        readings: Decoded from it (`busprobe.profiles.decode`).

    Returns:
        No quantities at all for any other model.
    """
    by_name = {reading.name: reading for reading in readings}
    points = _POINTS.get(model_id, {})
    system = _system(model_id, by_name.values())
    point_steps = _steps(model_id, by_name)
    quantities: dict[str, float] = {}
    steps: dict[str, float] = {}
    suspect: dict[str, str] = {}

    def put(quantity: str, reading: Reading) -> None:
        if not isinstance(reading.value, int | float):
            return
        value = float(reading.value)
        step = point_steps.get(reading.name)
        if quantity.startswith("PF"):
            factor = normal_power_factor(value)
            if factor is None:
                suspect[quantity] = f"{value:g} is no power factor"
                return
            if factor != value and step is not None:
                step /= 100
            value = factor
        quantities[quantity] = value
        if step is not None:
            steps[quantity] = step
        if reading.state is ReadingState.SUSPECT:
            suspect[quantity] = reading.note

    for point, quantity in points.items():
        if point in by_name:
            put(quantity, by_name[point])
    if model_id in METERS:
        for quantity, parts in _REACTIVE_SUMS.items():
            values = [by_name[p].value for p in parts if p in by_name]
            numbers = [float(v) for v in values if isinstance(v, int | float)]
            if numbers:
                quantities[quantity] = sum(numbers)
        if system == "1p":
            # The total of a single-phase map is its phase.
            for quantity, point in (("P_L1", "W"), ("I_L1", "A"), ("V_L1", "PhV"), ("Q_L1", "VAR")):
                if quantity not in quantities and point in by_name:
                    put(quantity, by_name[point])
    sign = SignConvention.EXPORT_POSITIVE if model_id == DER_MEASUREMENT else SignConvention.UNKNOWN
    phases = phase_count(model_id, by_name.values())
    return Uniform(quantities, steps, suspect, phases, system, sign)


@dataclass(frozen=True, slots=True)
class SignEvidence:
    """What the counters of a device say about the sign of its power.

    Attributes:
        text: What was seen, in words.
    """

    sign: SignConvention
    text: str


_NS_PER_H = 3_600_000_000_000


def sign_from_counters(
    before: Snapshot, after: Snapshot, steps: Mapping[str, float] | None = None
) -> SignEvidence:
    """What a positive power means, by which energy counter moved meanwhile.

    The window proves something only if exactly one counter rose, the power had one sign at both
    ends, and the rise is of the order of that power over that time; else a counter may have been
    reset, may count per phase, or may be too coarse.

    Args:
        before: Poll at the start of the window.
        after: Poll at its end.
        steps: Register steps of the counters [Wh], by quantity name.
    """
    needed = ("P", "E_import", "E_export")
    missing = [n for n in needed if n not in before.quantities or n not in after.quantities]
    if missing:
        return SignEvidence(SignConvention.UNKNOWN, f"no reading of {', '.join(missing)}")
    p0, p1 = before.quantities["P"], after.quantities["P"]
    imported = after.quantities["E_import"] - before.quantities["E_import"]
    exported = after.quantities["E_export"] - before.quantities["E_export"]
    hours = (after.t_ns - before.t_ns) / _NS_PER_H
    seen = (
        f"power {p0:g} W to {p1:g} W, import counter {imported:+g} Wh, "
        f"export counter {exported:+g} Wh in {hours * 60:.1f} min"
    )

    def unknown(why: str) -> SignEvidence:
        return SignEvidence(SignConvention.UNKNOWN, f"{seen}: {why}")

    if hours <= 0:
        return unknown("no time has passed")
    if imported < 0 or exported < 0:
        return unknown("a counter fell, so it was reset or rolled over")
    if imported > 0 and exported > 0:
        return unknown("both counters rose, so the flow turned or each phase counts for itself")
    if imported == exported:
        return unknown("neither counter moved, so the window is too short for them")
    if p0 * p1 <= 0:
        return unknown("the power had not one sign all the time")
    counter = "E_import" if imported else "E_export"
    moved = imported or exported
    step = (steps or {}).get(counter, 0.0)
    expected = abs(p0 + p1) / 2 * hours
    # Half to double leaves room for a load that changed between the two polls; one step more either
    # way for the position of the counter within its step. Common practice, no source.
    if not expected / 2 - step <= moved <= 2 * expected + step:
        return unknown(
            f"{expected:.3g} Wh would fit that power, so something else moved the counter"
        )
    import_positive = (p0 > 0) == bool(imported)
    sign = SignConvention.IMPORT_POSITIVE if import_positive else SignConvention.EXPORT_POSITIVE
    return SignEvidence(sign, seen)
