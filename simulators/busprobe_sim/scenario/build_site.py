"""From the site of a scenario file to a site that can be evaluated."""

from __future__ import annotations

from busprobe_sim.scenario.schema import ScenarioPart, SitePart
from busprobe_sim.scenario.schema_device import MeasuresPart
from busprobe_sim.site import (
    THREE_WIRE,
    Ct,
    InstrumentParameters,
    LoadParameters,
    MeterWiring,
    Site,
    SiteParameters,
    SourceParameters,
    SupplyParameters,
)


def site_parameters(part: SitePart) -> SiteParameters:
    """Parameters of the site."""
    supply = part.supply.model_dump()
    supply["phase_ohm"] = complex(*part.supply.phase_ohm)
    supply["neutral_ohm"] = complex(*part.supply.neutral_ohm)
    return SiteParameters(
        supply=SupplyParameters(**supply),
        household=part.household,
        base_w=part.base_w,
        loads=tuple(LoadParameters(**load.model_dump()) for load in part.loads),
        sources=tuple(
            SourceParameters(**source.model_dump(exclude={"planned_address"}))
            for source in part.sources
        ),
        socket=part.socket,
    )


def build_site(scenario: ScenarioPart, seed: int) -> Site:
    """The site with everything that happens by itself."""
    site = Site(site_parameters(scenario.site), seed)
    for event in scenario.schedule:
        site.switch(event.load, event.on, round(event.at_s * 1e9))
    return site


def meter_wiring(part: MeasuresPart) -> MeterWiring:
    """How a meter is connected."""
    right = THREE_WIRE if part.connection == "3p3w" else MeterWiring()
    cts = []
    for given, usual in zip((part.cts.get(p) for p in ("L1", "L2", "L3")), right.cts, strict=True):
        if given is None:
            cts.append(usual)
        else:
            conductor = given.conductor or usual.conductor
            cts.append(Ct(conductor, given.reversed, given.ratio, given.angle_deg))
    leads = dict(zip(("L1", "L2", "L3"), right.leads, strict=True)) | dict(part.leads)
    return MeterWiring(
        (cts[0], cts[1], cts[2]),
        (leads["L1"], leads["L2"], leads["L3"]),
        part.neutral or right.neutral,
    )


def instrument_parameters(part: MeasuresPart) -> InstrumentParameters:
    """Quality and habits of a meter."""
    plain = part.model_dump(exclude={"point", "connection", "cts", "leads", "neutral"})
    return InstrumentParameters(wiring=meter_wiring(part), **plain)
