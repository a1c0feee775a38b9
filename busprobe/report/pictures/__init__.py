"""Pictures of a report as inline SVG: data in `data`, drawing in one module per picture."""

from __future__ import annotations

from busprobe.report.pictures.bus_line import draw_bus
from busprobe.report.pictures.collision import draw_collision
from busprobe.report.pictures.data import (
    BusPicture,
    CollisionPicture,
    EnergyPicture,
    HistogramPicture,
    PhasorPicture,
    Picture,
    TrendPicture,
)
from busprobe.report.pictures.energy_flow import draw_energy
from busprobe.report.pictures.histogram import draw_histogram
from busprobe.report.pictures.phasor import draw_phasors
from busprobe.report.pictures.svg import Drawing
from busprobe.report.pictures.trend import draw_trend

__all__ = ["Drawing", "draw"]


def draw(picture: Picture) -> Drawing:
    """Draw any picture."""
    match picture:
        case BusPicture():
            return draw_bus(picture)
        case CollisionPicture():
            return draw_collision(picture)
        case EnergyPicture():
            return draw_energy(picture)
        case HistogramPicture():
            return draw_histogram(picture)
        case PhasorPicture():
            return draw_phasors(picture)
        case TrendPicture():
            return draw_trend(picture)
    raise TypeError(f"no drawing for {type(picture).__name__}")
