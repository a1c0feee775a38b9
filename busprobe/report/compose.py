"""From recordings, a verification and details to the content of a report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.errors import InputError
from busprobe.report import content as parts
from busprobe.report import words
from busprobe.report.bench import bench_checks, bench_entries, is_bench_only
from busprobe.report.checks import counted, derived_checks, side_by_side
from busprobe.report.defects import defects_of
from busprobe.report.energy import balance_of
from busprobe.report.front import (
    head_of,
    instruments_of,
    people_of,
    recorded_line,
    signatures_of,
    site_of,
    sources_of,
)
from busprobe.report.health import (
    collision_picture,
    device_health,
    histogram_picture,
    turnarounds_ms,
)
from busprobe.report.material import Material
from busprobe.report.meters import meter_readings, reference_entries
from busprobe.report.names import Names
from busprobe.report.pictures.data import (
    CollisionPicture,
    HistogramPicture,
)
from busprobe.report.plots import phasor_picture, trend_picture
from busprobe.report.system import system_of
from busprobe.report.visit import Visit
from busprobe.report.wiring_evidence import WiringTest, concluded, wiring_tests

_MOST_EXPLANATIONS = 4


def compose(material: Material, *, now: datetime, version: str) -> parts.Report:
    """Put a report together.

    Args:
        material: What it is made from.
        now: Wall clock, with offset.
        version: Version of the program.

    Raises:
        InputError: There is neither a recording nor a verification.
    """
    if not material.visits and material.verification is None:
        raise InputError(
            "A report needs a recording or a verification.",
            "Make one with --record FILE, or give --verification STATE.json.",
        )
    found, left = material.of("as-found"), material.of("as-left")
    names = Names(material)
    tests = {visit.file: {t.address: t for t in wiring_tests(visit)} for visit in (*found, *left)}
    checks, rest_on = _checks(material, tests, names)
    defects = defects_of(material, tests)
    open_faults = sum(d.severity == "fault" and d.state == "open" for d in defects)
    listed = [d for d in defects if d.severity != "note"]
    details = material.details
    return parts.Report(
        head=head_of(material, now, version),
        conclusion=_conclusion(checks, open_faults, as_left=_has_left(material)),
        site=site_of(material),
        people=people_of(details),
        instruments=instruments_of(details, version),
        sources=sources_of(material),
        recordings=tuple(recorded_line(v) for v in (*found, *left)),
        system=system_of(found, left, names),
        checks=checks,
        checks_rest_on=rest_on,
        wiring=tuple(
            _wiring(visit, test, names)
            for visit in (*found, *left)
            for test in tests[visit.file].values()
        ),
        bench=bench_entries((*found, *left)),
        bench_only=is_bench_only(material.visits),
        balance=balance_of((left or found), details.meters),
        readings=meter_readings((*found, *left), names),
        references=reference_entries(details.references, (left or found)),
        health=_health(found, left, names),
        photos=material.photos,
        defects=tuple(listed),
        notes=tuple(d for d in defects if d.severity == "note"),
        not_tested=_not_tested(checks, bench_only=is_bench_only(material.visits)),
        next_verification=details.report.next_verification
        or words.next_verification(any(d.state == "open" for d in listed)),
        signatures=signatures_of(details),
    )


def _has_left(material: Material) -> bool:
    verified = material.verification
    return bool(material.of("as-left")) or (
        verified is not None and verified.state.as_left is not None
    )


# Results -----------------------------------------------------------------------------------------


def _checks(
    material: Material,
    tests: Mapping[str, Mapping[int, WiringTest]],
    names: Names,
) -> tuple[tuple[parts.CheckEntry, ...], str]:
    verified = material.verification
    if verified is not None and (verified.state.as_found or verified.state.as_left):
        state = verified.state
        before = () if state.as_found is None else state.as_found.checks
        after = None if state.as_left is None else state.as_left.checks
        whole = all(v is None or v.complete for v in (state.as_found, state.as_left))
        rest_on = words.AGAINST_PLAN if whole else words.AGAINST_PLAN_UNFINISHED
        return side_by_side(before, after), rest_on
    found, left = material.of("as-found"), material.of("as-left")
    if is_bench_only(material.visits):
        return side_by_side(bench_checks((*found, *left)), None), words.ON_THE_BENCH

    def judged(visits: Sequence[Visit]) -> tuple[Check, ...]:
        made: list[Check] = []
        for line in dict.fromkeys(material.line_of(v) for v in visits):
            its = [v for v in visits if material.line_of(v) == line]
            merged = {a: t for v in its for a, t in tests[v.file].items()}
            made += derived_checks(its, merged, names)
        return (*made, *bench_checks(visits))

    return side_by_side(judged(found), judged(left) if left else None), words.WITHOUT_PLAN


def _conclusion(
    checks: Sequence[parts.CheckEntry], open_faults: int, *, as_left: bool
) -> parts.Conclusion:
    counts = counted(checks)
    failed = counts[CheckOutcome.FAIL]
    untested = counts[CheckOutcome.NOT_TESTED]
    result: parts.ResultWord = "PASS"
    if failed or open_faults:
        result = "FAIL"
    elif untested or not counts[CheckOutcome.PASS]:
        result = "INCOMPLETE"
    return parts.Conclusion(
        result=result,
        text=words.conclusion(result, failed, open_faults, untested),
        state="as-left" if as_left else "as-found",
        passed=counts[CheckOutcome.PASS],
        failed=failed,
        not_tested=untested,
        not_applicable=counts[CheckOutcome.NOT_APPLICABLE],
    )


def _not_tested(checks: Sequence[parts.CheckEntry], *, bench_only: bool) -> tuple[str, ...]:
    told = []
    for entry in checks:
        if entry.final.outcome == "NOT TESTED":
            why = entry.final.evidence[0].text if entry.final.evidence else "no reason was noted"
            told.append(f"{entry.subject}: {words.inside(entry.title)} – {why}")
    return (*told, *(words.NEVER_TESTED_ON_BENCH if bench_only else words.NEVER_TESTED))


# Wiring and line ---------------------------------------------------------------------------------


def _wiring(visit: Visit, test: WiringTest, names: Names) -> parts.WiringEntry:
    diagnosis, end = test.diagnosis, concluded(test, visit.findings)
    shown = diagnosis.explanations[:_MOST_EXPLANATIONS]
    return parts.WiringEntry(
        address=test.address,
        device=names.name(visit, test.address),
        state=visit.state,
        verdict=diagnosis.verdict.value,
        probability=diagnosis.probability,
        rests_on=words.wiring_rests_on(test.rests_on, diagnosis.verdict, end),
        sign=diagnosis.sign,
        explanations=tuple(
            parts.ExplanationEntry(
                probability=e.probability,
                cts=tuple(
                    parts.CtEntry(
                        input=c.input,
                        conductor=c.conductor,
                        direction=c.direction,
                        ratio=c.ratio,
                    )
                    for c in e.cts
                ),
                voltages=tuple(
                    parts.LeadEntry(input=v.input, conductor=v.conductor) for v in e.voltages
                ),
                neutral=e.neutral,
                remedy=e.remedy,
            )
            for e in shown
        ),
        more_explanations=len(diagnosis.explanations) - len(shown),
        not_identifiable=diagnosis.not_identifiable,
        next_experiment=diagnosis.next_experiment or "",
        steps=tuple(
            parts.LoadStepEntry(t_s=s.t_s, conductor=s.conductor, dp_w=s.dp_w, dq_var=s.dq_var)
            for s in diagnosis.steps
        ),
        phasors=phasor_picture(test),
        trend=trend_picture(test),
    )


def _health(found: Sequence[Visit], left: Sequence[Visit], names: Names) -> parts.Health:
    together: dict[tuple[str, str, int], list[Visit]] = {}
    for visit in (*found, *left):
        for address in visit.devices:
            together.setdefault((visit.state, visit.link, address), []).append(visit)
    rows = [
        device_health(visits, address, names.name(visits[0], address))
        for (_, _, address), visits in sorted(together.items())
    ]
    return parts.Health(
        devices=tuple(row for row in rows if row.requests),
        histogram=_histogram(found or left, names),
        collision=next((c for v in (*found, *left) if (c := _collision(v)) is not None), None),
    )


def _histogram(visits: Sequence[Visit], names: Names) -> HistogramPicture | None:
    times: dict[tuple[int, str], list[float]] = {}
    for visit in visits:
        for address in visit.devices:
            name = names.name(visit, address)
            times.setdefault((address, name), []).extend(turnarounds_ms(visit.at_home(address)))
    return histogram_picture(
        [(name, values) for (_, name), values in sorted(times.items()) if values]
    )


def _collision(visit: Visit) -> CollisionPicture | None:
    for finding in visit.findings:
        if finding.code == "duplicate-address" and finding.address is not None:
            cited = [e.exchange for e in finding.evidence if e.exchange is not None]
            picture = collision_picture(visit, finding.address, cited)
            if picture is not None:
                return picture
    return None
