"""A meter against itself: sound meters raise nothing, each kind of wrong map is named."""

from __future__ import annotations

import cmath
import math
import random
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.catalogue import devices
from busprobe.diagnosis.identities import explain
from busprobe.diagnosis.plausibility import (
    headroom_findings,
    needs_another_poll,
    plausibility_findings,
    power_factor_convention,
    scale_factor_finding,
)
from busprobe.model.finding import Finding
from busprobe.model.reading import Reading
from busprobe.profiles.uniform import Uniform

STEPS = {"V": 0.1, "I": 0.01, "P": 1.0, "Q": 1.0, "S": 1.0, "PF": 0.01, "F": 0.01}


def meter(
    phasors: Mapping[str, tuple[complex, complex]], *, rounded: bool = True, **changes: float
) -> Uniform:
    """What a sound meter shows of voltage and current phasors, with changes put in afterwards."""
    q: dict[str, float] = {"F": 50.01}
    total = 0j
    apparent = 0.0
    for phase, (v, i) in phasors.items():
        power = v * i.conjugate()
        total += power
        apparent += abs(power)
        q |= {f"V_{phase}": abs(v), f"I_{phase}": abs(i), f"P_{phase}": power.real}
        q |= {f"Q_{phase}": power.imag, f"S_{phase}": abs(power)}
        q[f"PF_{phase}"] = power.real / abs(power) if abs(power) else 1.0
    for line in ("L1L2", "L2L3", "L3L1"):
        if line[:2] in phasors and line[2:] in phasors:
            q[f"V_{line}"] = abs(phasors[line[:2]][0] - phasors[line[2:]][0])
    q |= {"P": total.real, "Q": total.imag, "S": apparent}
    steps = {name: STEPS[name.split("_")[0]] for name in q}
    if rounded:
        q = {name: round(value / steps[name]) * steps[name] for name, value in q.items()}
    q |= changes
    return Uniform(q, steps if rounded else {}, phases=len(phasors), system="3p4w")


def three(
    currents: tuple[complex, complex, complex] = (5, 8 - 2j, -3 + 1j),
) -> dict[str, tuple[complex, complex]]:
    turn = cmath.exp(-2j * math.pi / 3)
    return {
        phase: (231.0 * turn**k, current * turn**k)
        for k, (phase, current) in enumerate(zip(("L1", "L2", "L3"), currents, strict=True))
    }


def codes(found: Uniform, nominal_v: float = 230.0) -> list[str]:
    """What three polls alike raise."""
    polls = (found,) * 3
    return [f.code for f in plausibility_findings(3, "FM", *polls, nominal_v=nominal_v)]


def only(found: Uniform) -> Finding:
    (finding,) = plausibility_findings(3, "FM", found, found)
    assert finding.address == 3
    assert finding.device == "FM"
    assert finding.evidence[0].text
    return finding


def test_sound_meter_raises_nothing() -> None:
    assert codes(meter(three())) == []
    assert codes(meter(three(), rounded=False)) == []


@settings(max_examples=150)
@given(seed=st.integers(0, 2**32))
def test_no_sound_meter_raises_anything(seed: int) -> None:
    # Any supply within EN 50160, up to 2 % unbalance, any load, class 1 errors on each quantity.
    chance = random.Random(seed)
    turn = cmath.exp(-2j * math.pi / 3)
    level = chance.uniform(205, 248)
    phasors = {}
    for k, phase in enumerate(("L1", "L2", "L3")):
        unbalance = cmath.rect(1 + chance.uniform(-0.015, 0.015), chance.uniform(-0.015, 0.015))
        current = cmath.rect(
            chance.choice((0, 0.2, 3, 40)) * chance.random(), chance.uniform(-4, 4)
        )
        phasors[phase] = (level * unbalance * turn**k, current * turn**k)
    sound = meter(phasors, rounded=chance.random() < 0.7)
    off = {
        name: value * (1 + chance.uniform(-0.004, 0.004)) if name not in ("F",) else value
        for name, value in sound.quantities.items()
    }
    again = Uniform(off, sound.steps, phases=3, system="3p4w")
    assert codes(again) == []


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (10, "10 times too large"),
        (0.1, "10 times too small"),
        (math.sqrt(3), "√3 times too large, as if line to line"),
        (1 / math.sqrt(3), "√3 times too small, as if line to neutral"),
        (1000, "1000 times too large"),
        (-1, "negative, which no rms value is"),
        (4e7, "so far off that the byte order or the type must be wrong"),
    ],
)
def test_all_voltages_in_a_wrong_scale_are_one_finding(factor: float, words: str) -> None:
    sound = meter(three())
    wrong = {f"V_L{n}": 231.0 * factor for n in (1, 2, 3)}
    q = {**sound.quantities, **wrong}
    kept = {n: v for n, v in q.items() if n[0] in "VF"}
    found = plausibility_findings(1, None, Uniform(kept, sound.steps, phases=3))
    first = found[0]
    assert first.code == "voltage-implausible"
    assert words in first.cause
    assert "scale" in first.remedy
    assert [f.code for f in found].count("voltage-implausible") == 1
    assert first.summary.count("V") >= 3


def test_low_voltage_is_a_hint_only() -> None:
    q = {"V_L1": 188.0, "V_L2": 231.0, "V_L3": 231.0}
    finding = only(Uniform(q, {}, phases=3))
    assert finding.code == "voltage-out-of-limits"
    assert finding.severity == "warning"
    assert finding.probability < 0.9
    assert "196 V" in finding.cause


def test_other_nominal_voltage() -> None:
    q = {"V_L1": 120.0, "V_L2": 121.0}
    assert codes(Uniform(q, {}, phases=2, system="split")) == ["voltage-implausible"]
    assert codes(Uniform(q, {}, phases=2, system="split"), nominal_v=120) == []


def test_input_without_voltage_that_carries_current() -> None:
    phasors = three()
    phasors["L2"] = (0, 5)
    found = meter(phasors)
    quantities = {n: v for n, v in found.quantities.items() if "L1L2" not in n and "L2L3" not in n}
    finding = only(Uniform(quantities, found.steps, phases=3))
    assert finding.code == "voltage-absent"
    assert finding.caution is not None
    assert "L2" in finding.summary


def test_single_phase_meter_with_a_three_phase_map_is_no_fault() -> None:
    # Seen in the field: model 203 with B and C all 0.
    found = meter({"L1": (230, 5), "L2": (0, 0), "L3": (0, 0)})
    q = {n: v for n, v in found.quantities.items() if not n.startswith("V_L1L") and "L3L1" not in n}
    assert codes(Uniform(q, found.steps, phases=3)) == []


def test_field_data_hold_the_line_voltage_identity() -> None:
    # Public issue pysunspec2 48: 237.81/217.41/236.19 V, and 394.93/392.23/410.64 V line to line.
    q = {"V_L1": 237.81, "V_L2": 217.41, "V_L3": 236.19}
    q |= {"V_L1L2": 394.93, "V_L2L3": 392.23, "V_L3L1": 410.64}
    assert codes(Uniform(q, dict.fromkeys(q, 0.01), phases=3)) == []


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        (231.0, "a line-to-neutral voltage"),
        (462.0, "the plain sum"),
        (0.4, "both leads were on one conductor"),
        (4000.0, "10 times too large"),
    ],
)
def test_line_voltage_that_does_not_fit(measured: float, words: str) -> None:
    finding = only(meter(three(), V_L2L3=measured))
    assert finding.code == "line-voltage-mismatch"
    assert words in finding.cause


def test_split_phase_adds_plainly() -> None:
    q = {"V_L1": 120.0, "V_L2": 121.0, "V_L1L2": 241.0}
    assert codes(Uniform(q, {}, phases=2, system="split"), nominal_v=120) == []
    q["V_L1L2"] = 209.0
    assert codes(Uniform(q, {}, phases=2, system="split"), nominal_v=120) == [
        "line-voltage-mismatch"
    ]


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (500.1, "10 times too large"),
        (5.999, "10 times too small"),
        (0.0, "no grid"),
        (40.0, "no grid"),
    ],
)
def test_frequency(value: float, words: str) -> None:
    finding = only(Uniform({"F": value}, {}, phases=3))
    assert finding.code == "frequency-implausible"
    assert words in finding.cause or (value == 0 and "not it" in finding.cause)
    assert codes(Uniform({"F": 60.02}, {}, phases=3)) == []


def test_power_in_kilowatts_taken_for_watts_is_no_sum_fault_but_apparent_power_says_it() -> None:
    sound = meter(three((5, 5, 5)))
    q = {n: v / 1000 if n.startswith("S") else v for n, v in sound.quantities.items()}
    found = [f.code for f in plausibility_findings(1, None, Uniform(q, sound.steps, phases=3))]
    assert found.count("apparent-power-mismatch") == 3
    assert "power-exceeds-apparent" in found


def test_switching_load_in_one_poll_is_no_fault_but_asks_for_another_poll() -> None:
    # The current of L2 is new, its powers are those of a moment ago.
    steady = meter(three())
    torn = meter(three(), I_L2=16.4)
    assert not needs_another_poll(steady)
    assert needs_another_poll(torn)
    assert plausibility_findings(1, None, torn) == ()
    assert plausibility_findings(1, None, torn, steady, steady) == ()
    told = plausibility_findings(1, None, torn, steady, torn)
    assert {f.code for f in told} == {"apparent-power-mismatch"}


def test_what_two_phases_break_alike_needs_no_second_poll() -> None:
    sound = meter(three((5, 6, 7)))
    sound = Uniform({n: v for n, v in sound.quantities.items() if "PF" not in n}, sound.steps)
    wrong = {n: v * 10 if n.startswith("S") else v for n, v in sound.quantities.items()}
    told = plausibility_findings(1, None, Uniform(wrong, sound.steps, phases=3))
    assert [f.code for f in told] == ["apparent-power-mismatch"] * 3
    assert not needs_another_poll(Uniform(wrong, sound.steps, phases=3))


def test_three_phase_motor_that_starts_is_no_fault_in_one_poll() -> None:
    torn = meter(three((5, 5, 5)), S_L1=577.5, S_L2=577.5, S_L3=577.5)
    assert plausibility_findings(1, None, torn) == ()
    assert needs_another_poll(torn)


def test_load_that_swings_from_poll_to_poll_is_no_fault_of_the_meter() -> None:
    polls = [meter(three(), S_L2=s) for s in (900.0, 3300.0, 5100.0)]
    assert plausibility_findings(1, None, *polls) == ()


def test_floats_with_exchanged_words_are_one_finding() -> None:
    q = {"V_L1": 5.4e12, "V_L2": 1.6e-37, "I_L1": 1.8e27, "P": 0.0007, "S_L1": -5e-14}
    finding = only(Uniform(q, {}, phases=3))
    assert finding.code == "values-absurd"
    assert "CDAB" in finding.remedy


def test_power_beyond_volt_times_ampere() -> None:
    q = {"V_L1": 230.0, "I_L1": 5.0, "P_L1": 11500.0}
    finding = only(Uniform(q, {}, phases=1, system="1p"))
    assert finding.code == "power-exceeds-apparent"
    assert "10 times too large" in finding.cause


def test_s_as_the_square_root_of_p_and_q_proves_nothing_and_harmonics_are_no_fault() -> None:
    # S^2 > P^2 + Q^2 with harmonics: an inequality, not an equation.
    q = {"V_L1": 230.0, "I_L1": 5.0, "P_L1": 800.0, "Q_L1": 200.0, "S_L1": 1150.0}
    assert codes(Uniform(q, {}, phases=1, system="1p")) == []
    q["Q_L1"] = 1100.0
    assert codes(Uniform(q, {}, phases=1, system="1p")) == ["power-exceeds-apparent"]


@pytest.mark.parametrize(
    ("total", "words"),
    [
        (-2310.0, "the same with the other sign"),
        (1155.0, "the value of P_L1"),
        (23100.0, "10 times too large"),
        (3696.0, "the sum without regard to the signs"),
        (770.0, "the mean of the phases"),
    ],
)
def test_totals(total: float, words: str) -> None:
    # 5 A, 8 A and -3 A: 1155, 1848 and -693 W, together 2310 W.
    finding = next(
        f
        for f in plausibility_findings(1, None, *[meter(three((5, 8, -3)), P=total)] * 2)
        if f.code == "sum-mismatch"
    )
    expected = "without regard" if total == 3696 else words
    assert expected in finding.cause


def test_total_that_has_wrapped_is_named_in_one_poll() -> None:
    # 35300 counts of 0.1 W in a signed 16-bit register are -30236 counts.
    q = {"P_L1": 177.5, "P_L2": 1354.0, "P_L3": 1998.5, "P": -3023.6}
    (finding,) = plausibility_findings(1, None, Uniform(q, dict.fromkeys(q, 0.1), phases=3))
    assert finding.code == "sum-mismatch"
    assert "32767 counts" in finding.cause


def test_rounding_of_totals_is_no_fault() -> None:
    steps = dict.fromkeys(("P", "P_L1", "P_L2", "P_L3"), 100.0)
    q = {"P_L1": 100.0, "P_L2": 100.0, "P_L3": -200.0, "P": 200.0}
    assert codes(Uniform(q, steps, phases=3)) == []
    q["P"] = 400.0
    assert codes(Uniform(q, steps, phases=3)) == ["sum-mismatch"]


def test_total_apparent_power_may_be_the_vector_or_the_arithmetic_sum() -> None:
    sound = meter(three((10, 10j, -10)))
    vector = math.hypot(sound.quantities["P"], sound.quantities["Q"])
    assert codes(meter(three((10, 10j, -10)), S=vector)) == []
    assert codes(meter(three((10, 10j, -10)), S=20000.0)) == ["sum-mismatch"]


def test_delta_meter_has_no_phase_voltages_to_check() -> None:
    q = {"V_L1": 0.0, "V_L2": 400.0, "V_L1L2": 400.0, "I_L1": 3.0, "P_L1": 5000.0}
    assert codes(Uniform(q, {}, phases=3, system="3p3w")) == []


def test_power_factor_that_p_and_s_contradict_is_a_note() -> None:
    finding = only(meter(three((5, 5, 5)), PF_L1=0.5))
    assert finding.code == "power-factor-mismatch"
    assert finding.severity == "note"


def test_what_the_decoder_doubts_is_told_once_for_each_reason() -> None:
    notes = {"V_L1L2": "wrapped", "V_L2L3": "wrapped", "E_import": "an integer"}
    found = plausibility_findings(1, None, Uniform({}, {}, notes, phases=3))
    assert [f.code for f in found] == ["reading-suspect"] * 2
    assert "V_L1L2, V_L2L3" in found[0].summary


def test_no_readings_no_findings() -> None:
    assert plausibility_findings(1, None, Uniform({}, {})) == ()


NAMES = ["V_L1", "V_L2", "V_L1L2", "I_L1", "P_L1", "Q_L1", "S_L1", "P", "Q", "S", "F", "PF_L1"]


@given(
    values=st.dictionaries(
        st.sampled_from([*NAMES, "P_L2", "P_L3"]),
        st.floats(allow_nan=False, allow_infinity=False, width=32),
    )
)
def test_any_numbers_give_findings_with_whole_words(values: dict[str, float]) -> None:
    found = Uniform(values, {}, phases=3)
    for finding in plausibility_findings(1, "x", found, found):
        assert finding.code in devices.ENTRIES
        for text in (finding.summary, finding.cause, finding.remedy):
            assert "{" not in text
            assert "nan" not in text


def test_headroom() -> None:
    readings = [
        Reading("W", 31000, "W", (31000,)),
        Reading("A", 5, "A", (5,)),
        Reading("VAR", -30500, "var", (65536 - 30500,)),
        Reading("TotWhImp", 9, "Wh", (0, 9)),
    ]
    (finding,) = headroom_findings(1, None, 203, readings)
    assert finding.code == "register-headroom"
    assert "W, VAR" in finding.summary
    assert "-30500" in finding.summary
    assert headroom_findings(1, None, 203, readings[1:2]) == ()
    assert headroom_findings(1, None, 64999, readings) == ()


def test_scale_factor_finding() -> None:
    finding = scale_factor_finding(1, None, ("W_SF",))
    assert finding is not None
    assert "W_SF" in finding.summary
    assert scale_factor_finding(1, None, ()) is None


@pytest.mark.parametrize(
    ("signs", "convention"),
    [
        # Four-quadrant table (import reference): quadrant, PF after IEC, PF after EEI.
        ({"L1": (1, 1, 1), "L2": (-1, 1, -1), "L3": (-1, -1, -1)}, "iec"),
        ({"L1": (1, 1, -1), "L2": (-1, 1, 1), "L3": (-1, -1, -1)}, "eei"),
        ({"L1": (1, 1, 1), "L2": (-1, 1, 1), "L3": (-1, -1, 1)}, "unsigned"),
        ({"L1": (1, 1, -1), "L2": (-1, 1, -1), "L3": (-1, -1, 1)}, "inconsistent"),
        ({"L1": (1, -1, 1)}, "unclear"),
        ({}, "unclear"),
    ],
)
def test_power_factor_conventions(signs: dict[str, tuple[int, int, int]], convention: str) -> None:
    q: dict[str, float] = {}
    for phase, (p, reactive, pf) in signs.items():
        q |= {f"P_{phase}": 1000.0 * p, f"Q_{phase}": 500.0 * reactive, f"PF_{phase}": 0.894 * pf}
    assert power_factor_convention(q) == convention


def test_explain_names_plain_factors_only() -> None:
    assert explain(100, 10) == "10 times too large"
    assert explain(44, 10) == "4.4 times that"
    assert explain(0, 10) == "not it"


def test_every_entry_of_the_catalogue_is_raised_by_a_check() -> None:
    wrong = [
        meter(three(), V_L1=2310.0, F=500.0),
        meter(three(), V_L1=190.0),
        meter(three(), V_L1=0.0),
        meter(three(), V_L2L3=231.0, P=-9999.0, S_L1=9.0, PF_L3=0.3, P_L2=99999.0),
        Uniform({}, {}, {"P": "doubt"}),
        Uniform({"P": 1e30, "Q": 1e30}, {}),
    ]
    raised = {code for found in wrong for code in codes(found)}
    raised |= {f.code for f in headroom_findings(1, None, 203, [Reading("W", 1, "W", (32000,))])}
    changed = scale_factor_finding(1, None, ("W_SF",))
    assert changed is not None
    assert raised | {changed.code} == set(devices.ENTRIES)
