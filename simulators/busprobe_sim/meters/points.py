"""Meter and inverter models filled from what an instrument shows."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from busprobe_sim.meters.definition import model_points
from busprobe_sim.meters.sunspec import Model, Scales, Values

_PHASES = {"A": "L1", "B": "L2", "C": "L3"}
_PAIRS = {"AB": "L1L2", "BC": "L2L3", "CA": "L3L1"}

Readings = Callable[[int], Mapping[str, float]]

# Integer models and their float twins.
SINGLE_PHASE = (201, 211)
SPLIT_PHASE = (202, 212)
WYE = (203, 213)
DELTA = (204, 214)

METER_SCALES: Scales = {
    "A_SF": -2,
    "V_SF": -1,
    "Hz_SF": -2,
    "W_SF": 0,
    "VA_SF": 0,
    "VAR_SF": 0,
    "PF_SF": -2,
    "TotWh_SF": 0,
}
INVERTER_SCALES: Scales = {
    "A_SF": -1,
    "V_SF": -1,
    "W_SF": 0,
    "Hz_SF": -2,
    "VA_SF": 0,
    "VAr_SF": 0,
    "PF_SF": -2,
    "WH_SF": 0,
    "DCW_SF": 0,
    "Tmp_SF": 0,
}


def _phases_of(model_id: int) -> str:
    if model_id in SINGLE_PHASE:
        return "A"
    return "AB" if model_id in SPLIT_PHASE else "ABC"


def meter_values(model_id: int, shown: Mapping[str, float]) -> Values:
    """Point values of a meter model.

    The names differ between the models (line-to-line voltages are PhVphAB in 202-204, PPVphAB in
    the others), so both are given; a model takes those it has.

    Args:
        model_id: 201-204 or 211-214.
        shown: What the instrument shows, by quantity name.
    """
    letters = _phases_of(model_id)
    # Power factors are in percent in the integer models, plain in the float models.
    percent = 100.0 if model_id < 211 else 1.0
    values: dict[str, float | bytes | None] = {"Hz": shown["F"], "Evt": 0}
    for letter in letters:
        phase = _PHASES[letter]
        values[f"Aph{letter}"] = shown[f"I_{phase}"]
        values[f"Wph{letter}"] = shown[f"P_{phase}"]
        values[f"VAph{letter}"] = shown[f"S_{phase}"]
        values[f"VARph{letter}"] = shown[f"Q_{phase}"]
        values[f"PFph{letter}"] = percent * shown[f"PF_{phase}"]
        values[f"TotWhImpPh{letter}"] = shown[f"E_import_{phase}"]
        values[f"TotWhExpPh{letter}"] = shown[f"E_export_{phase}"]
        if model_id not in DELTA:
            values[f"PhVph{letter}"] = shown[f"V_{phase}"]
    if letters == "A":
        for name, quantity in (("A", "I"), ("W", "P"), ("VA", "S"), ("VAR", "Q")):
            values[name] = shown[f"{quantity}_L1"]
        values["PF"] = percent * shown["PF_L1"]
        values["PhV"] = shown["V_L1"]
        values["TotWhImp"] = shown["E_import_L1"]
        values["TotWhExp"] = shown["E_export_L1"]
        return values
    values |= {"A": shown["I"], "W": shown["P"], "VA": shown["S"], "VAR": shown["Q"]}
    values |= {"PF": percent * shown["PF"]}
    values |= {"TotWhImp": shown["E_import"], "TotWhExp": shown["E_export"]}
    for pair, phases in _PAIRS.items():
        if set(pair) <= set(letters):
            values[f"PhVph{pair}"] = values[f"PPVph{pair}"] = shown[f"V_{phases}"]
    values["PPV"] = shown["VLL"] if letters == "ABC" else shown["V_L1L2"]
    if model_id not in DELTA:
        volts = [shown[f"V_{_PHASES[letter]}"] for letter in letters]
        values["PhV"] = sum(volts) / len(volts)
    return values


def meter_model(model_id: int, readings: Readings, scales: Callable[[int], Scales]) -> Model:
    """A meter model.

    Args:
        model_id: 201-204 or 211-214.
        readings: What the instrument shows at an instant [ns].
        scales: Scale factors at an instant [ns]; float models ignore them.
    """
    return Model(
        model_id,
        _full_length(model_id),
        lambda now_ns: meter_values(model_id, readings(now_ns)),
        scales,
    )


def inverter_model(model_id: int, readings: Readings) -> Model:
    """An inverter model; feeding in is positive.

    Args:
        model_id: 103 or 113.
        readings: What the inverter measures at its terminals, export positive.
    """
    percent = 100.0 if model_id < 111 else 1.0

    def values(now_ns: int) -> Values:
        shown = readings(now_ns)
        running = abs(shown["P"]) > 5.0
        found: dict[str, float | bytes | None] = {
            "A": shown["I"],
            "W": shown["P"],
            "Hz": shown["F"],
            "VA": shown["S"],
            "VAr": shown["Q"],
            "PF": percent * shown["PF"],
            "WH": shown["E_export"],
            "DCW": 1.03 * shown["P"],
            "TmpCab": 38.0,
            # Operating state: 4 is MPPT, 8 standby.
            "St": 4 if running else 8,
            "Evt1": 0,
            "Evt2": 0,
        }
        for letter, phase in _PHASES.items():
            found[f"Aph{letter}"] = shown[f"I_{phase}"]
            found[f"PhVph{letter}"] = shown[f"V_{phase}"]
        for pair, phases in _PAIRS.items():
            found[f"PPVph{pair}"] = shown[f"V_{phases}"]
        return found

    return Model(model_id, _full_length(model_id), values, lambda _now_ns: INVERTER_SCALES)


def _full_length(model_id: int) -> int:
    last = model_points(model_id)[-1]
    return last.offset + last.size - 2
