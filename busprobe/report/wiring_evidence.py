"""The wiring verdicts of a recording.

The verdict of the visit is kept as an event; where a recording has none, it is derived again from
the recorded readings and the load that was announced, and the report says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busprobe.diagnosis.catalogue import wiring
from busprobe.diagnosis.wiring import (
    CtWiring,
    Explanation,
    KnownLoad,
    LoadStep,
    MeterSystem,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
    diagnose_wiring,
)
from busprobe.model.device import Device
from busprobe.model.finding import Finding
from busprobe.model.reading import Snapshot
from busprobe.model.series import Series
from busprobe.report.visit import Visit

RECORDED = "the verdict at the end of the test, as recorded"
DERIVED = "derived again from the recorded readings and the announced load"
# A test of an hour at one reading a second is inferred in seconds.
_MOST_ROWS = 7_200
_INTENT = re.compile(
    r"Read the meter at address (\d{1,3}) once a second "
    r"(?:while a load of (\d+(?:\.\d+)?(?:e[+-]?\d+)?) W is switched|while nobody switches)"
)
_SYSTEMS = {1: MeterSystem.SINGLE_PHASE, 2: MeterSystem.SPLIT_PHASE}


@dataclass(frozen=True, slots=True)
class WiringTest:
    """One wiring test.

    Attributes:
        address: Address of the meter.
        diagnosis: The verdict.
        rests_on: Where it comes from, in words.
        series: The readings during the test; times from its beginning.
    """

    address: int
    diagnosis: WiringDiagnosis
    rests_on: str
    series: Series


def wiring_tests(visit: Visit) -> tuple[WiringTest, ...]:
    """The last wiring test of each meter in a recording."""
    recorded = _recorded(visit)
    found: dict[int, WiringTest] = {}
    for address, (start_ns, end_ns, load) in _spans(visit).items():
        series = series_of(
            s for s in visit.snapshots if s.address == address and start_ns <= s.t_ns <= end_ns
        )
        if not series.t_s:
            continue
        diagnosis, rests_on = recorded.get(address), RECORDED
        if diagnosis is None:
            system = _system(visit.devices.get(address))
            diagnosis, rests_on = diagnose_wiring(_cut(series), load, system), DERIVED
        found[address] = WiringTest(address, diagnosis, rests_on, series)
    return tuple(found[address] for address in sorted(found))


# What the findings of a finished test say of its verdict; every other finding of the wiring is a
# fault (`busprobe.diagnosis.wiring.findings`).
_VERDICTS = {
    "wiring-correct": WiringVerdict.CORRECT,
    "wiring-undecided": WiringVerdict.UNDECIDED,
    "wiring-inconsistent": WiringVerdict.INCONSISTENT,
    "wiring-ambiguous": WiringVerdict.AMBIGUOUS,
    "wiring-wrong": WiringVerdict.AMBIGUOUS,
    "phase-names-open": WiringVerdict.AMBIGUOUS,
}


def concluded(test: WiringTest, findings: Iterable[Finding]) -> WiringVerdict | None:
    """How the test ended at the visit, None where it did not come to an end.

    A verdict that was derived again from the readings of an unfinished test closes nothing.

    Args:
        test: The test.
        findings: Findings of its recording.
    """
    if test.rests_on == RECORDED:
        return test.diagnosis.verdict
    codes = {f.code for f in findings if f.address == test.address and f.code in wiring.ENTRIES}
    if not codes:
        return None
    open_ended = [_VERDICTS[code] for code in sorted(codes) if code in _VERDICTS]
    return open_ended[0] if open_ended else WiringVerdict.FAULT


def series_of(snapshots: Iterable[Snapshot]) -> Series:
    """Snapshots of one meter as a series; times from the first."""
    rows: list[Snapshot] = []
    for snapshot in snapshots:
        if not rows or snapshot.t_ns > rows[-1].t_ns:
            rows.append(snapshot)
    if not rows:
        return Series((), {})
    names = {name for row in rows for name in row.quantities}
    return Series(
        tuple((row.t_ns - rows[0].t_ns) / 1e9 for row in rows),
        {name: tuple(row.quantities.get(name) for row in rows) for name in sorted(names)},
    )


def _cut(series: Series) -> Series:
    rows = _MOST_ROWS
    return Series(series.t_s[:rows], {n: v[:rows] for n, v in series.columns.items()})


def _system(device: Device | None) -> MeterSystem:
    phases = 3 if device is None else device.phases
    return _SYSTEMS.get(phases, MeterSystem.THREE_PHASE_FOUR_WIRE)


def _spans(visit: Visit) -> dict[int, tuple[int, int, KnownLoad | None]]:
    """Begin and end of the last wiring test at each address [ns], and its load."""
    spans: dict[int, tuple[int, int, KnownLoad | None]] = {}
    running: int | None = None
    for event in visit.events:
        if event.body.get("step") != "wiring":
            continue
        if event.kind == "StepStarted":
            match = _INTENT.match(str(event.body.get("intent", "")))
            running = int(match[1]) if match else None
            if match:
                load = KnownLoad(float(match[2])) if match[2] and float(match[2]) > 0 else None
                spans[int(match[1])] = (event.t_ns, visit.end_ns, load)
        elif event.kind == "StepFinished" and running is not None:
            start_ns, _, load = spans[running]
            spans[running] = (start_ns, event.t_ns, load)
            running = None
    return spans


def _recorded(visit: Visit) -> dict[int, WiringDiagnosis]:
    found: dict[int, WiringDiagnosis] = {}
    for event in visit.events:
        if event.kind == "WiringSeen":
            try:
                found[int(event.body["address"])] = diagnosis_of(event.body["diagnosis"])
            except (KeyError, TypeError, ValueError, AttributeError):
                continue
    return found


def diagnosis_of(body: Mapping[str, Any]) -> WiringDiagnosis:
    """The diagnosis in the body of a recorded event.

    Raises:
        KeyError, TypeError, ValueError, AttributeError: There is none.
    """
    return WiringDiagnosis(
        verdict=WiringVerdict(body["verdict"]),
        probability=_share(body["probability"]),
        explanations=tuple(
            Explanation(
                probability=_share(one["probability"]),
                cts=tuple(
                    CtWiring(
                        str(ct["input"]),
                        str(ct["conductor"]),
                        str(ct["direction"]),
                        None if ct["ratio"] is None else float(ct["ratio"]),
                    )
                    for ct in one["cts"]
                ),
                voltages=tuple(
                    VoltageWiring(str(v["input"]), str(v["conductor"])) for v in one["voltages"]
                ),
                neutral=str(one["neutral"]),
                remedy=str(one["remedy"]),
            )
            for one in body["explanations"]
        ),
        sign=str(body["sign"]),
        not_identifiable=_texts(body["not_identifiable"]),
        next_experiment=None if body["next_experiment"] is None else str(body["next_experiment"]),
        steps=tuple(
            LoadStep(
                float(step["t_s"]),
                str(step["conductor"]),
                tuple(map(float, step["dp_w"])),
                tuple(map(float, step["dq_var"])),
            )
            for step in body["steps"]
        ),
    )


def _texts(values: Sequence[object]) -> tuple[str, ...]:
    if isinstance(values, str):
        raise TypeError("a text where a list belongs")
    return tuple(map(str, values))


def _share(value: object) -> float:
    share = float(value)  # type: ignore[arg-type]
    if not 0.0 <= share <= 1.0:
        raise ValueError("no probability")
    return share
