"""The experiment finds each fault of the simulated line, and none on a sound one.

`tests/benchmarks/bench_line_health.py` prints the whole confusion table.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.diagnosis.line_health import LineTest, Target, healthy, line_findings
from busprobe.model.device import Device
from busprobe.procedures.check_line import LineCheck, check_line
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import FAULTS, Drawn, draw


def checked(drawn: Drawn, seed: int) -> LineCheck:
    bus = drawn.build(seed)
    return run_virtual(check_line(bus, [Device(a) for a in drawn.addresses]))


def told(check: LineCheck) -> set[tuple[str, int | None]]:
    return {(c.code, c.address) for c in check.weighed.causes if c.probability >= 0.8}


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_each_fault_is_found(fault: str) -> None:
    drawn = draw(101, fault)
    check = checked(drawn, 101)
    assert drawn.truth <= told(check), check.weighed.causes
    findings = {f.code: f for f in line_findings(check.weighed)}
    for code, address in drawn.truth - {("duplicate-address", a) for a in drawn.addresses}:
        assert findings[code].address == address
        assert "{" not in findings[code].summary + findings[code].cause + findings[code].remedy


@pytest.mark.parametrize("seed", range(200, 206))
def test_a_sound_line_is_called_healthy(seed: int) -> None:
    check = checked(draw(seed), seed)
    assert told(check) == set()
    assert line_findings(check.weighed) == []
    assert healthy(check.weighed) > 0.85
    assert all(t.failed == 0 for t in check.tallies.values())


@pytest.mark.parametrize(
    "faults",
    [
        ("noisy-line", "echo-heard"),
        ("no-bias", "echo-heard"),
        ("rolling-answer", "slow-device"),
        ("minimum-gap", "echo-heard"),
        ("last-byte-lost", "echo-heard"),
        ("minimum-gap", "rolling-answer"),
        ("minimum-gap", "last-byte-lost"),
        ("switching-edges", "last-byte-lost"),
        ("wrong-parity", "last-byte-lost"),
        ("requests-dropped", "no-bias"),
        ("answers-for-others", "rolling-answer"),
        ("deaf-after-others", "noisy-line"),
        ("slow-device", "switching-edges"),
        ("no-bias", "last-byte-lost"),
    ],
)
def test_two_faults_at_once_are_both_found(faults: tuple[str, str]) -> None:
    drawn = draw(300, *faults)
    if len(drawn.truth) == 2 and faults == ("rolling-answer", "slow-device"):
        # Both are habits of one device.
        assert len({a for _, a in drawn.truth}) == 1
    found = told(checked(drawn, 300))
    assert drawn.truth <= found
    assert found - drawn.truth <= {("slow-device", a) for a in drawn.addresses}


def test_every_cause_has_words_and_evidence_with_exchanges() -> None:
    for fault in ("noisy-line", "minimum-gap", "driver-late", "rolling-answer"):
        drawn = draw(100, fault)
        check = checked(drawn, 100)
        finding = next(f for f in line_findings(check.weighed) if f.code == fault)
        assert finding.evidence[0].exchange is not None
        assert finding.remedy
        assert "{" not in finding.summary + finding.cause + finding.remedy


def test_a_line_without_any_answer_stays_undecided_about_the_reason() -> None:
    drawn = draw(1)
    drawn.port = drawn.port.__class__(
        drawn.port.node.__class__(settings=drawn.settings, dead_driver=True)
    )
    check = checked(drawn, 1)
    assert told(check) == {("line-silent", None)}
    (finding,) = line_findings(check.weighed)
    assert "cannot be told apart" in finding.cause


def test_a_tool_at_other_settings_is_told_where_the_devices_are() -> None:
    drawn = draw(1)
    other = replace(drawn.settings, baud=57600)
    drawn.port = replace(drawn.port, node=replace(drawn.port.node, settings=other))
    bus = drawn.build(1)
    check = run_virtual(check_line(bus, [Device(a) for a in drawn.addresses]))
    assert told(check) == {("line-silent", None)}
    (finding,) = line_findings(check.weighed)
    assert f"{drawn.addresses[0]} ({drawn.settings})" in finding.cause
    assert bus.settings == other


def test_no_question_before_the_answer_to_the_last_one() -> None:
    test = LineTest([Target(1)], 1e-3)
    assert test.next_question() is not None
    exchange = None
    with pytest.raises(AttributeError):
        test.take(exchange)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no request was pending"):
        test.take(exchange)  # type: ignore[arg-type]


def test_only_reads_are_asked_and_only_of_the_targets() -> None:
    drawn = draw(100, "noisy-line")
    bus = drawn.build(1)
    asked = []
    bus.on_exchange = lambda e: asked.append(e.request)
    run_virtual(check_line(bus, [Device(a) for a in drawn.addresses]))
    assert {r.pdu[0] for r in asked} <= {3, 4}
    assert {r.address for r in asked} <= set(drawn.addresses)
