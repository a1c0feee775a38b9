"""The verdict in the words of the trade."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.catalogue import CATALOGUE, CAUTION_CT, CAUTION_MAINS
from busprobe.diagnosis.catalogue.wiring import ENTRIES
from busprobe.diagnosis.wiring import (
    CtWiring,
    Explanation,
    LoadStep,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
    wiring_findings,
)
from busprobe.diagnosis.wiring.physics import network
from busprobe.diagnosis.wiring.types import MeterSystem
from busprobe.diagnosis.wiring.words import RIGHT, remedy
from busprobe.model.finding import Finding, Severity

NAMES = ("L1", "L2", "L3")
STEP = LoadStep(12.0, "L1", (2000.0, 3.0, -1.0), (10.0, 0.0, 0.0))


def explained(
    conductors: tuple[str, ...] = NAMES,
    directions: tuple[str, ...] = ("forward",) * 3,
    leads: tuple[str, ...] = NAMES,
    neutral: str = "N",
    ratios: tuple[float | None, ...] = (1.0, 1.0, 1.0),
    probability: float = 0.9995,
) -> Explanation:
    cts = tuple(
        CtWiring(name, c, d, r)
        for name, c, d, r in zip(NAMES, conductors, directions, ratios, strict=True)
    )
    voltages = tuple(VoltageWiring(n, v) for n, v in zip(NAMES, leads, strict=True))
    net = network(MeterSystem.THREE_PHASE_FOUR_WIRE)
    return Explanation(probability, cts, voltages, neutral, remedy(net, cts, voltages, neutral))


def found(*explanations: Explanation, verdict: WiringVerdict | None = None) -> tuple[Finding, ...]:
    if verdict is None:
        verdict = WiringVerdict.FAULT if len(explanations) == 1 else WiringVerdict.AMBIGUOUS
    diagnosis = WiringDiagnosis(
        verdict, 0.9995, explanations, "import-positive", (), "Try this.", (STEP,)
    )
    return wiring_findings(7, "meter in the hall", diagnosis)


@pytest.mark.parametrize(
    ("explanation", "codes"),
    [
        (explained(directions=("forward", "reversed", "forward")), ["ct-reversed"]),
        (explained(conductors=("L2", "L1", "L3")), ["cts-swapped"]),
        (explained(conductors=("L2", "L3", "L1")), ["ct-wrong-phase"] * 3),
        (explained(conductors=("L1", "N", "L3")), ["ct-wrong-phase"]),
        (explained(conductors=("none", "L2", "L3")), ["ct-dead"]),
        (explained(ratios=(1.0, 0.5, None)), ["ct-ratio"]),
        (explained(leads=("L2", "L1", "L3")), ["voltage-leads-swapped"]),
        (explained(leads=("open", "L2", "L3")), ["voltage-lead-open"]),
        (
            explained(leads=("L1", "N", "L3"), neutral="L2"),
            ["neutral-lead-wrong", "voltage-leads-swapped"],
        ),
        (explained(neutral="open"), ["neutral-lead-wrong"]),
        (
            explained(conductors=("L2", "L1", "L3"), leads=("L2", "L1", "L3")),
            ["phases-renamed"],
        ),
    ],
)
def test_each_fault_has_its_finding(explanation: Explanation, codes: list[str]) -> None:
    findings = found(explanation)
    assert [f.code for f in findings] == codes
    for f in findings:
        assert f.address == 7
        assert f.device == "meter in the hall"
        assert f.probability == 0.9995
        assert f.caution in (CAUTION_CT, CAUTION_MAINS)
        assert "2000 W" in f.evidence[0].text
        assert "{" not in f.summary + f.cause + f.remedy


def test_the_remedy_for_a_reversed_ct_is_in_the_words_of_the_trade() -> None:
    (finding,) = found(explained(directions=("forward", "reversed", "forward")))
    assert finding.remedy == (
        "CT on L2 is reversed: turn it round or swap its two wires at the meter."
    )
    assert finding.severity is Severity.FAULT


def test_a_right_wiring_is_a_note() -> None:
    (finding,) = found(explained(), verdict=WiringVerdict.CORRECT)
    assert (finding.code, finding.severity) == ("wiring-correct", Severity.NOTE)


@pytest.mark.parametrize(
    ("verdict", "code"),
    [
        (WiringVerdict.UNDECIDED, "wiring-undecided"),
        (WiringVerdict.INCONSISTENT, "wiring-inconsistent"),
    ],
)
def test_no_verdict_names_the_next_step(verdict: WiringVerdict, code: str) -> None:
    (finding,) = found(verdict=verdict)
    assert finding.code == code
    assert finding.remedy == "Try this."


def test_what_all_explanations_share_is_certain() -> None:
    one = explained(directions=("reversed", "forward", "forward"))
    other = explained(directions=("reversed", "reversed", "forward"))
    findings = found(one, other)
    assert [f.code for f in findings] == ["ct-reversed", "wiring-ambiguous"]
    assert "L1" in findings[0].summary


def test_only_names_open_is_no_fault() -> None:
    renamed = explained(conductors=("L2", "L3", "L1"), leads=("L2", "L3", "L1"))
    (finding,) = found(explained(), renamed)
    assert (finding.code, finding.severity) == ("phase-names-open", Severity.NOTE)


def test_a_wiring_that_is_wrong_either_way_is_a_fault() -> None:
    (finding,) = found(
        explained(conductors=("L2", "L1", "L3")), explained(leads=("L2", "L1", "L3"))
    )
    assert (finding.code, finding.severity) == ("wiring-wrong", Severity.FAULT)
    assert "; or: " in finding.cause


def test_a_right_one_among_the_explanations_is_a_warning() -> None:
    (finding,) = found(explained(), explained(directions=("reversed",) * 3))
    assert (finding.code, finding.severity) == ("wiring-ambiguous", Severity.WARNING)


def test_device_text_is_never_interpreted() -> None:
    diagnosis = WiringDiagnosis(
        WiringVerdict.FAULT,
        0.99,
        (explained(directions=("reversed", "forward", "forward")),),
        "unknown",
        (),
        None,
        (),
    )
    (finding,) = wiring_findings(1, "{probability} {0}", diagnosis)
    assert finding.device == "{probability} {0}"


def test_the_entries_are_in_the_catalogue_and_say_something() -> None:
    for code, entry in ENTRIES.items():
        assert CATALOGUE[code] is entry
        assert entry.summary
        assert entry.cause
        assert entry.remedy
        if code.startswith("ct"):
            assert entry.caution == CAUTION_CT


def test_nothing_to_do_says_so() -> None:
    assert explained().remedy == RIGHT
