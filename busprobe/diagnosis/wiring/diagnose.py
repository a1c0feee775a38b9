"""The one call that turns a series into a wiring verdict."""

from __future__ import annotations

import math

from busprobe.diagnosis.wiring.sign import counter_sign
from busprobe.diagnosis.wiring.types import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.model.reading import SignConvention
from busprobe.model.series import Series

# Phases named against the rotation, or a map that counts inductive reactive power negative, where
# nobody knows of it: seldom (common practice, no source). The voltages show it, where they can.
BACKWARD_LOG_PRIOR = math.log(0.005)

# The inference itself needs numpy, which a start of the program without any diagnosis must not
# pay for; so it is imported when the first verdict is asked for.


def diagnose_wiring(
    series: Series,
    load: KnownLoad | None,
    system: MeterSystem = MeterSystem.THREE_PHASE_FOUR_WIRE,
    *,
    sign: SignConvention = SignConvention.UNKNOWN,
    rotation_known: bool = True,
) -> WiringDiagnosis:
    """Tell which conductor each CT is on, and which way round, as far as the readings carry it.

    Args:
        series: V, I, P and Q per phase as the meter signs them; missing ones are allowed.
        load: The load that was switched, or None to look only at what the site does by itself.
        system: How the meter is connected.
        sign: What a positive power means at this meter, when that is known; else the energy
            counters are asked, if the series has them.
        rotation_known: Whether the site is known to turn L1, L2, L3 (and the meter to count
            inductive reactive power positive).
    """
    from busprobe.diagnosis.wiring.examine import examine, examine_passive
    from busprobe.diagnosis.wiring.verdict import judge

    if sign is SignConvention.UNKNOWN:
        sign = counter_sign(series)
    rotations = {1: 0.0}
    if system not in (MeterSystem.SINGLE_PHASE, MeterSystem.SPLIT_PHASE):
        rotations[-1] = BACKWARD_LOG_PRIOR if rotation_known else 0.0
    if load is None:
        found = examine_passive(series, system, rotations=rotations)
        experiment = "Watch longer, or switch a known load on each phase, one after the other."
    else:
        found = examine(series, load, system, rotations=rotations)
        experiment = "Record active power per phase while the load is switched on and off."
    return undecided(series, experiment) if found is None else judge(found, sign)


def undecided(series: Series, experiment: str) -> WiringDiagnosis:
    """The verdict where nothing can be told."""
    powers = [name for name in series.columns if name.startswith("P_")]
    why = (
        "Anything: no switching of the load was seen."
        if powers
        else ("Anything: the record holds no active power per phase.")
    )
    return WiringDiagnosis(
        WiringVerdict.UNDECIDED, 0.0, (), SignConvention.UNKNOWN.value, (why,), experiment, ()
    )
