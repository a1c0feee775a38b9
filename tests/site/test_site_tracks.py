"""From rounds of readings to what the coupling and balance checks take."""

from __future__ import annotations

import pytest
from verifying import EXAMPLE, HEALTHY, plan_of

from busprobe.diagnosis.balance import Positive
from busprobe.diagnosis.balance import Role as BalanceRole
from busprobe.diagnosis.coupling import Role
from busprobe.model.reading import SignConvention, Snapshot
from busprobe.site.tracks import Rounds, balance_role, coupling_of, sign_of, track

IMPORT, EXPORT = SignConvention.IMPORT_POSITIVE, SignConvention.EXPORT_POSITIVE
UNKNOWN = SignConvention.UNKNOWN
PLAN = plan_of(EXAMPLE.read_text(encoding="utf-8"))
GRID, HEAT_PUMP, WHEEL = PLAN.meters
assert PLAN.inverter is not None
HYBRID = PLAN.inverter


def snapshot(power: float | None, sign: SignConvention = UNKNOWN, t_s: float = 0.0) -> Snapshot:
    quantities = {"F": 50.0} if power is None else {"P": power, "E_import": 5.0, "E_export": 7.0}
    return Snapshot(round(t_s * 1e9), 1, quantities, sign)


def test_the_ac_side_of_the_example() -> None:
    coupling = coupling_of(PLAN)
    assert [(g.name, g.rated_w, g.curtailable) for g in coupling.generators] == [
        ("water wheel", 5500.0, False)
    ]
    assert (coupling.inverter_w, coupling.charge_w, coupling.export_w) == (8000, 5000, 10_000)
    # The smaller of what is entered and what the battery takes.
    less = plan_of(EXAMPLE.read_text(encoding="utf-8").replace("  charge_kw: 5\n  dis", "  dis"))
    assert coupling_of(less).charge_w == 5000


def test_what_is_proved_goes_before_what_is_planned() -> None:
    planned = plan_of(HEALTHY).meters[0]
    assert planned.positive == "import"
    assert sign_of(planned, [snapshot(1.0)]) is IMPORT
    assert sign_of(planned, [snapshot(1.0, EXPORT), snapshot(1.0)]) is EXPORT
    assert sign_of(planned, [snapshot(1.0)], "export-positive") is EXPORT
    assert sign_of(GRID, [snapshot(1.0)]) is UNKNOWN
    assert sign_of(HYBRID, [snapshot(1.0)]) is EXPORT


def test_a_track_is_import_positive_and_skips_rounds_with_holes() -> None:
    rounds = Rounds()
    for n, (grid, wheel) in enumerate([(100.0, -5.0), (None, -6.0), (300.0, -7.0)]):
        rounds.add(GRID.name, snapshot(grid, EXPORT, n), {})
        rounds.add(WHEEL.name, snapshot(wheel, IMPORT, n), {})
        rounds.hours.append(12.0 + n)
    grid_track = track(PLAN, GRID, rounds, {})
    wheel_track = track(PLAN, WHEEL, rounds, {})
    assert grid_track is not None
    assert wheel_track is not None
    assert grid_track.p_w == (-100.0, -300.0)
    assert wheel_track.p_w == (-5.0, -7.0)
    assert grid_track.t_s == (0.0, 2.0)
    assert grid_track.hours == (12.0, 14.0)
    assert (grid_track.role, wheel_track.role) == (Role.GRID, Role.GENERATION)
    assert wheel_track.rated_w == 5500.0
    assert (wheel_track.imported_wh, wheel_track.exported_wh) == (5.0, 7.0)
    assert track(PLAN, HEAT_PUMP, rounds, {}) is None


def test_a_device_without_any_power_does_not_empty_the_others() -> None:
    rounds = Rounds()
    for n in range(3):
        rounds.add(GRID.name, snapshot(100.0, IMPORT, n), {})
        rounds.add(HYBRID.name, snapshot(None, t_s=n), {})
    found = track(PLAN, GRID, rounds, {})
    assert found is not None
    assert len(found.p_w) == 3
    assert track(PLAN, HYBRID, rounds, {}) is None


@pytest.mark.parametrize(
    ("part", "sign", "role", "positive"),
    [
        # A grid meter that shows import positive shows what comes into the site positive; a
        # source that shows import positive shows what it draws positive.
        (GRID, IMPORT, BalanceRole.GRID, Positive.INTO_SITE),
        (GRID, EXPORT, BalanceRole.GRID, Positive.OUT_OF_SITE),
        (GRID, UNKNOWN, BalanceRole.GRID, Positive.UNKNOWN),
        (WHEEL, IMPORT, BalanceRole.GENERATOR, Positive.OUT_OF_SITE),
        (WHEEL, EXPORT, BalanceRole.GENERATOR, Positive.INTO_SITE),
        (HEAT_PUMP, IMPORT, BalanceRole.LOAD, Positive.OUT_OF_SITE),
        (HYBRID, EXPORT, BalanceRole.HYBRID, Positive.INTO_SITE),
    ],
)
def test_roles_of_the_balance(
    part: object, sign: SignConvention, role: BalanceRole, positive: Positive
) -> None:
    found = balance_role(PLAN, part, sign)  # type: ignore[arg-type]
    assert found is not None
    assert (found.role, found.positive) == (role, positive)


def test_a_consumer_behind_a_consumer_is_not_counted_twice() -> None:
    text = HEALTHY.replace(
        "inverter:",
        "  - {name: lathe, link: bus, address: 3, role: sub-meter, behind: workshop, feeds: load}\n"
        "inverter:",
    )
    plan = plan_of(text)
    by_name = {m.name: balance_role(plan, m, IMPORT) for m in plan.meters}
    assert by_name["workshop"] is not None
    assert by_name["lathe"] is None
