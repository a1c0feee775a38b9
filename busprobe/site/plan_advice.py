"""Advice about a site plan: what is no contradiction but should be looked at."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from busprobe.diagnosis.electrical.cycle import poll_cycle
from busprobe.diagnosis.electrical.rules import longest_unterminated_m
from busprobe.model.line import LinkKind
from busprobe.site.plan_rules import (
    CT_HIGHEST,
    Problem,
    cycle_devices,
    place_of,
    rated_current_a,
)

if TYPE_CHECKING:
    from busprobe.site.plan_parts import PlannedSite

# IEC 61869-2, accuracy classes 0,5 to 1: stated from 5 % of the rated primary current.
CT_LOWEST = 0.05


def advice(plan: PlannedSite) -> tuple[Problem, ...]:
    """What is no contradiction but should be looked at."""
    return (
        *_usual_addresses(plan),
        *_open_roles(plan),
        *_loose_currents(plan),
        *_unmetered(plan),
        *_tight_lines(plan),
        *_line_manners(plan),
    )


def _usual_addresses(plan: PlannedSite) -> Iterator[Problem]:
    grid = plan.grid_meter
    if grid is None or grid.address == 1:
        return
    if any(link.name == grid.link and link.endpoint.kind is LinkKind.TCP for link in plan.links):
        return
    first = next((d for d in plan.devices_on(grid.link) if d.address == 1), None)
    whose = "" if first is None else f", which is planned for {first.name!r}"
    yield Problem(
        (*place_of(plan, grid), "address"),
        f"the grid meter usually keeps factory address 1{whose}; a second meter takes the next "
        "free one (common practice, no source)",
    )


def _open_roles(plan: PlannedSite) -> Iterator[Problem]:
    for number, meter in enumerate(plan.meters):
        if meter.role is None:
            yield Problem(
                ("meters", number),
                "has no 'role' yet: what it measures cannot be checked (grid, generation, "
                "consumption, sub-meter)",
            )
        elif (
            meter.role == "generation"
            and meter.feeds != "battery"
            and not any(g.meter == meter.name for g in plan.generators)
        ):
            yield Problem(
                ("meters", number, "role"),
                "no generator under 'generators' names this meter: its rating cannot be checked",
            )


def _loose_currents(plan: PlannedSite) -> Iterator[Problem]:
    for number, meter in enumerate(plan.meters):
        ct = meter.ct
        if ct is None:
            continue
        if meter.fuse_a is not None and ct.primary_a < meter.fuse_a <= CT_HIGHEST * ct.primary_a:
            yield Problem(
                ("meters", number, "ct", "primary_a"),
                f"the CTs of {ct.primary_a:g} A are smaller than the fuse of {meter.fuse_a:g} A",
            )
        for generator in plan.generators:
            if generator.meter != meter.name:
                continue
            current = rated_current_a(generator.rating_kw, generator.phases, plan.site.nominal_v)
            if current < CT_LOWEST * ct.primary_a:
                yield Problem(
                    ("meters", number, "ct", "primary_a"),
                    f"{generator.name!r} gives {current:.1f} A per phase at most, below 5 % of "
                    f"{ct.primary_a:g} A: there the classes 0,5 to 1 promise no accuracy "
                    "(IEC 61869-2)",
                )


def _unmetered(plan: PlannedSite) -> Iterator[Problem]:
    for number, generator in enumerate(plan.generators):
        if generator.meter is None:
            yield Problem(
                ("generators", number),
                f"{generator.name!r} has no 'meter': neither the inverter nor busprobe can tell "
                "its power from the load of the house",
            )


def _tight_lines(plan: PlannedSite) -> Iterator[Problem]:
    for number, link in enumerate(plan.links):
        settings, devices = link.line_settings, cycle_devices(plan, link)
        if settings is None or link.poll_s is None or not devices:
            continue
        cycle = poll_cycle(settings, devices, timeout_ms=link.timeout_ms)
        if cycle.cycle_s <= link.poll_s < cycle.shortest_interval_s:
            yield Problem(
                ("links", number, "poll_s"),
                f"a poll takes {cycle.cycle_s:.2f} s, {cycle.worst_s:.2f} s when one device stays "
                f"silent once: below {cycle.shortest_interval_s:.2f} s it slips behind",
            )


def _line_manners(plan: PlannedSite) -> Iterator[Problem]:
    for number, link in enumerate(plan.links):
        settings = link.line_settings
        if settings is None:
            continue
        longest = longest_unterminated_m(settings.baud)
        lacks_one = link.termination in ("none", "one end")
        if lacks_one and link.length_m is not None and link.length_m > longest:
            yield Problem(
                ("links", number, "termination"),
                f"a line of {link.length_m:g} m at {settings.baud} Bd needs a terminator at both "
                f"ends; up to {longest:.0f} m it would do without (reflections die within half a "
                "bit)",
            )
        if link.bias == "several places":
            yield Problem(
                ("links", number, "bias"),
                "bias belongs in one place of the line (Modbus over Serial Line V1.02, section "
                "3.4)",
            )
        if link.bias == "none" and link.termination == "both ends":
            yield Problem(
                ("links", number, "bias"),
                "terminators pull the idle line to 0 V: without bias every receiver that is not "
                "failsafe hears noise (Modbus over Serial Line V1.02, section 3.4)",
            )
