"""What a bench test adds to a report: the meter on the table, from what its recording tells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.finding import Evidence
from busprobe.model.line import told_together
from busprobe.report.content_bench import (
    BenchEntry,
    BenchModel,
    BenchReference,
    BenchStatistics,
)
from busprobe.report.health import histogram_picture, turnarounds_ms
from busprobe.report.visit import Visit

# A page has room for so many rows of turn-around times.
_MOST_ROWS = 12
_STEPS_BESIDE = ("bench", "find")


def is_bench_only(visits: Sequence[Visit]) -> bool:
    """Whether the recordings hold bench tests and nothing of a site."""
    steps = {str(e.body.get("step")) for v in visits for e in v.events if e.kind == "StepStarted"}
    return "bench" in steps and steps <= set(_STEPS_BESIDE)


def _last(visit: Visit) -> dict[int, tuple[int, Mapping[str, Any]]]:
    """The last bench test of each address: when it ended, and its sheet."""
    found: dict[int, tuple[int, Mapping[str, Any]]] = {}
    for event in visit.events:
        sheet = event.body.get("sheet") if event.kind == "BenchSeen" else None
        if isinstance(sheet, Mapping) and isinstance(sheet.get("address"), int):
            found[sheet["address"]] = (event.t_ns, sheet)
    return found


def bench_entries(visits: Sequence[Visit]) -> tuple[BenchEntry, ...]:
    """The bench tests of recordings; a damaged one is left out."""
    entries = []
    for visit in visits:
        for _, (t_ns, sheet) in sorted(_last(visit).items()):
            try:
                entries.append(_entry(visit, t_ns, sheet))
            except (ValidationError, KeyError, TypeError, ValueError):
                continue
    return tuple(entries)


def _entry(visit: Visit, t_ns: int, sheet: Mapping[str, Any]) -> BenchEntry:
    return BenchEntry(
        address=sheet["address"],
        device=sheet["device"],
        serial=sheet["serial"],
        time=visit.time(t_ns).isoformat("T", "seconds"),
        settings=sheet["settings"],
        settings_note=sheet["settings_note"],
        accuracy_class=sheet["accuracy_class"],
        passed=sheet["passed"],
        complete=sheet["complete"],
        label=tuple(str(sheet["label"]).splitlines()),
        models=tuple(_model(m) for m in sheet["models"]),
        statistics=tuple(_statistics(s) for s in sheet["statistics"]),
        not_measured=told_together(
            str(s["settings"]) for s in sheet["statistics"] if s["measured"] == "not-measured"
        ),
        references=tuple(
            BenchReference(**{name: r[name] for name in BenchReference.model_fields})
            for r in sheet["references"]
        ),
        written=tuple(sheet.get("written", ())),
        histogram=histogram_picture(_times(visit, sheet)),
    )


def _model(model: Mapping[str, Any]) -> BenchModel:
    troubles = [f"not implemented: {name}" for name in model["missing"]]
    troubles += [f"not readable: {name}" for name in model["unreadable"]]
    troubles += [f"behind its length: {name}" for name in model["beyond"]]
    troubles += [*model["wrong_scales"], *model["wrong_marks"]]
    remarks = list(model["remarks"])
    if model["uncounted"]:
        counters = ", ".join(model["uncounted"])
        remarks.append(f"0, nothing counted yet or not implemented: {counters}")
    gone = len(model["missing"]) + len(model["unreadable"]) + len(model["beyond"])
    return BenchModel(
        id=model["model_id"],
        name=model["name"],
        register=model["register"],
        length=model["length"],
        published=model["published"],
        length_right=model["length_right"],
        mandatory=model["mandatory"],
        there=model["mandatory"] - gone,
        absent=tuple(model["absent"]),
        troubles=tuple(troubles),
        remarks=tuple(remarks),
    )


def _statistics(found: Mapping[str, Any]) -> BenchStatistics:
    return BenchStatistics(
        **{name: found[name] for name in BenchStatistics.model_fields if name in found}
    )


def _times(visit: Visit, sheet: Mapping[str, Any]) -> list[tuple[str, Sequence[float]]]:
    """Turn-arounds at each line setting, by the exchanges that the statistics name."""
    rows: list[tuple[str, Sequence[float]]] = []
    for found in sheet["statistics"][:_MOST_ROWS]:
        if not found["exchanges"]:
            continue
        first, last = found["exchanges"]
        within = (e for e in visit.exchanges if first <= e.number <= last)
        times = turnarounds_ms(within)
        if times:
            rows.append((str(found["settings"]), times))
    return rows


def bench_checks(visits: Sequence[Visit]) -> tuple[Check, ...]:
    """The checks of the bench tests, as they were made."""
    checks = []
    for visit in visits:
        for _, (_, sheet) in sorted(_last(visit).items()):
            name = f"{sheet.get('device', '')} {sheet.get('serial', '')}".strip()
            for made in sheet.get("checks", ()):
                try:
                    checks.append(_check(made, name))
                except (KeyError, TypeError, ValueError):
                    continue
    return tuple(checks)


def _apart(subject: str) -> tuple[str, str]:
    """The place of a check, and what tells it apart: "address 1" and "at 19200 8N1"."""
    for mark in (" at ", ", "):
        place, found, rest = subject.partition(mark)
        if found:
            return place, f"{mark}{rest}".strip(" ,")
    return subject, ""


def _check(made: Mapping[str, Any], device: str) -> Check:
    outcome = CheckOutcome(made["outcome"])
    evidence = tuple(Evidence(e["exchange"], str(e["text"])) for e in made["evidence"])
    if outcome is CheckOutcome.NOT_TESTED and not evidence:
        evidence = (Evidence(None, str(made["found"])),)
    # One group for the meter: what tells checks of one kind apart goes to name and title.
    place, apart = _apart(str(made["subject"]))
    title = str(made["title"])
    if apart and apart not in title.lower() and apart.removeprefix("at ") not in title:
        title = f"{title} {apart}"
    return Check(
        f"{made['name']} {apart}".strip().lower().replace(" ", "-"),
        f"{device}, {place}" if device else place,
        title,
        str(made["planned"]),
        "" if outcome is CheckOutcome.NOT_TESTED else str(made["found"]),
        outcome,
        str(made["uncertainty"]),
        evidence,
        tuple(str(code) for code in made["finding_codes"]),
    )
