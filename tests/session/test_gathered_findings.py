"""Findings that share code and address do not push each other out."""

from __future__ import annotations

from busprobe.diagnosis.catalogue import finding
from busprobe.model.finding import Evidence, Finding
from busprobe.session.findings import gathered


def odd(what: str, address: int, probability: float = 0.99) -> Finding:
    return finding(
        "map-irregular",
        address=address,
        probability=probability,
        evidence=[Evidence(None, f"seen: {what}")],
        what=what,
        text=f"The {what} is odd.",
    )


def test_two_of_a_kind_are_told_in_one() -> None:
    (one,) = gathered([odd("length", 2), odd("end", 2, 0.9)])
    assert "length" in one.summary
    assert "end" in one.summary
    assert one.cause == "The length is odd. The end is odd."
    assert one.probability == 0.9
    assert [e.text for e in one.evidence] == ["seen: length", "seen: end"]


def test_others_stay_as_they_are() -> None:
    found = [odd("length", 2), odd("length", 3)]
    assert gathered(found) == found
