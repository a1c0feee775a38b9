"""Phasors: as the meter sees them, and as it will see them once it is wired right."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busprobe.report.pictures.data import Phasor, PhasorPicture
from busprobe.report.pictures.svg import (
    FAINT,
    FAULT,
    GRID,
    INK,
    PHASE_COLOURS,
    PHASE_DASHES,
    Drawing,
)

_RADIUS, _MIDDLE, _ROW = 96, 144, 17
# Lengths over the radius; the shortest is still seen.
_LARGEST_CURRENT, _SHORTEST = 0.74, 0.25
_NEAR_DEG = 15.0


def draw_phasors(picture: PhasorPicture) -> Drawing:
    """Draw one dial, or two side by side where it is known how it should be."""
    both = bool(picture.right_currents)
    height = 272 + _ROW * max(len(picture.currents), len(picture.right_currents))
    spoken = "; ".join(_spoken(p) for p in picture.currents)
    if both:
        spoken += "; wired right: " + "; ".join(_spoken(p) for p in picture.right_currents)
    drawing = Drawing(660 if both else 330, height, "Phasors", spoken)
    _dial(drawing, 165, "as wired, seen by the meter", picture.voltages, picture.currents)
    if both:
        _dial(drawing, 495, "as it should be", picture.right_voltages, picture.right_currents)
        drawing.arrow(312, _MIDDLE, 348, _MIDDLE, colour=FAINT, width=1.5, head=9)
    return drawing


def _spoken(phasor: Phasor) -> str:
    return f"current {phasor.name} {phasor.magnitude:.2f} A at {phasor.angle_deg:.0f} degrees"


def _dial(
    drawing: Drawing,
    x: float,
    title: str,
    voltages: Sequence[Phasor],
    currents: Sequence[Phasor],
) -> None:
    y = _MIDDLE
    drawing.text(x, 18, title, size=12.5, anchor="middle", bold=True)
    for share in (1.0, 0.5):
        drawing.circle(x, y, _RADIUS * share, colour=GRID, dash="2 3" if share < 1 else "")
    drawing.line(x - _RADIUS, y, x + _RADIUS, y, colour=GRID)
    drawing.line(x, y - _RADIUS, x, y + _RADIUS, colour=GRID)
    for phasor in voltages:
        _spoke(drawing, x, y, phasor, _RADIUS, 1.4)
        angle = math.radians(phasor.angle_deg)
        drawing.text(
            x + math.cos(angle) * (_RADIUS + 16), y - math.sin(angle) * (_RADIUS + 14) + 4,
            f"U {phasor.name}", size=11, anchor="middle", colour=_colour(phasor),
        )  # fmt: skip
    largest = max((c.magnitude for c in currents), default=0.0)
    placed: list[tuple[float, float]] = []
    for phasor in currents:
        length = _RADIUS * _LARGEST_CURRENT * max(_SHORTEST, phasor.magnitude / largest)
        _spoke(drawing, x, y, phasor, length, 3.2)
        placed.append(_tip(drawing, x, y, phasor, length, voltages, placed))
    drawing.circle(x, y, 2.5, fill=INK)
    for number, phasor in enumerate(currents):
        _value(drawing, x - 105, 276 + _ROW * number, phasor)


def _colour(phasor: Phasor) -> str:
    return PHASE_COLOURS.get(phasor.name, INK)


def _spoke(
    drawing: Drawing, x: float, y: float, phasor: Phasor, length: float, width: float
) -> None:
    # Angles count counter-clockwise from the right; on paper y points down.
    angle = math.radians(phasor.angle_deg)
    drawing.arrow(
        x, y, x + math.cos(angle) * length, y - math.sin(angle) * length, colour=_colour(phasor),
        width=width, dash=PHASE_DASHES.get(phasor.name, "") if width > 2 else "",
        head=11 if width > 2 else 8,
    )  # fmt: skip


def _tip(
    drawing: Drawing,
    x: float,
    y: float,
    phasor: Phasor,
    length: float,
    voltages: Sequence[Phasor],
    placed: Sequence[tuple[float, float]],
) -> tuple[float, float]:
    """Name a current beyond its tip, clear of voltages and of other names; tells where."""
    angle = phasor.angle_deg
    for voltage in voltages:
        apart = (angle - voltage.angle_deg + 180.0) % 360.0 - 180.0
        if abs(apart) < _NEAR_DEG:
            angle = voltage.angle_deg + math.copysign(_NEAR_DEG, apart)
    for turn in (0.0, 18.0, -18.0, 36.0, -36.0):
        radians = math.radians(angle + turn)
        at_x = x + math.cos(radians) * (length + 17)
        at_y = y - math.sin(radians) * (length + 13) + 4
        if all(abs(at_x - px) > 26 or abs(at_y - py) > 12 for px, py in placed):
            break
    drawing.text(
        at_x, at_y, f"I {phasor.name}", size=11, anchor="middle", colour=_colour(phasor), bold=True,
    )  # fmt: skip
    return at_x, at_y


def _value(drawing: Drawing, x: float, y: float, phasor: Phasor) -> None:
    colour = _colour(phasor)
    drawing.line(x, y - 4, x + 34, y - 4, colour=colour, width=3.2, dash=PHASE_DASHES[phasor.name])
    drawing.text(x + 42, y, f"I {phasor.name}", size=11, colour=colour, bold=True)
    drawing.text(x + 118, y, f"{phasor.magnitude:.2f} A", size=11, anchor="end")
    angle = f"{phasor.angle_deg:+.0f}°".replace("-", "−")
    drawing.text(x + 160, y, angle, size=11, anchor="end")
    if phasor.changed:
        drawing.text(x + 170, y, "← changed", size=11, colour=FAULT, bold=True)
