"""The electrical site: supply, loads, sources, and what a wired meter of a class makes of them."""

from busprobe_sim.site.circuit import Site, SiteParameters, SiteState
from busprobe_sim.site.instrument import Instrument, InstrumentParameters
from busprobe_sim.site.loads import LoadParameters
from busprobe_sim.site.sources import SourceParameters
from busprobe_sim.site.supply import SupplyParameters
from busprobe_sim.site.wiring import THREE_WIRE, Ct, MeterWiring

__all__ = [
    "THREE_WIRE",
    "Ct",
    "Instrument",
    "InstrumentParameters",
    "LoadParameters",
    "MeterWiring",
    "Site",
    "SiteParameters",
    "SiteState",
    "SourceParameters",
    "SupplyParameters",
]
