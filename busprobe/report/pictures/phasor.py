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

_RADIUS = 92
_VOLTAGE, _LARGEST_CURRENT = 0.94, 0.74
_NEAR_DEG = 16


def draw_phasors(picture: PhasorPicture) -> Drawing:
    """Draw one dial, or two side by side where it is known how it should be."""
    both = bool(picture.right_currents)
    drawing = Drawing(
        660 if both else 330,
        300,
        "Phasors",
        "; ".join(_spoken(p) for p in picture.currents)
        + ("; wired right: " + "; ".join(_spoken(p) for p in picture.right_currents)) * bool(both),
    )
    _dial(drawing, 165, "as wired, seen by the meter", picture.voltages, picture.currents)
    if both:
        _dial(drawing, 495, "as it should be", picture.right_voltages, picture.right_currents)
        drawing.arrow(316, 140, 344, 140, colour=FAINT, width=1.5)
    _key(drawing, 270)
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
    y = 142
    drawing.text(x, 18, title, size=12.5, anchor="middle", bold=True)
    for share in (1.0, 0.5):
        drawing.circle(x, y, _RADIUS * share, colour=GRID, dash="2 3" if share < 1 else "")
    drawing.line(x - _RADIUS, y, x + _RADIUS, y, colour=GRID)
    drawing.line(x, y - _RADIUS, x, y + _RADIUS, colour=GRID)
    for phasor in voltages:
        _spoke(drawing, x, y, phasor, _RADIUS * _VOLTAGE, f"U {phasor.name}", is_voltage=True)
    largest = max((c.magnitude for c in currents), default=0.0)
    for phasor in currents:
        length = _RADIUS * _LARGEST_CURRENT * max(0.22, phasor.magnitude / largest)
        label = f"I {phasor.name} {phasor.magnitude:.1f} A"
        _spoke(drawing, x, y, phasor, length, label, is_voltage=False, crowd=voltages)
    drawing.circle(x, y, 2.5, fill=INK)


def _spoke(
    drawing: Drawing,
    x: float,
    y: float,
    phasor: Phasor,
    length: float,
    label: str,
    *,
    is_voltage: bool,
    crowd: Sequence[Phasor] = (),
) -> None:
    colour = PHASE_COLOURS.get(phasor.name, INK)
    angle = math.radians(phasor.angle_deg)
    # Angles count counter-clockwise from the right; on paper y points down.
    ux, uy = math.cos(angle), -math.sin(angle)
    drawing.arrow(
        x, y, x + ux * length, y + uy * length, colour=colour, width=1.4 if is_voltage else 3,
        dash="" if is_voltage else PHASE_DASHES.get(phasor.name, ""), head=8 if is_voltage else 11,
    )  # fmt: skip
    if is_voltage:
        at_x, at_y = x + ux * (_RADIUS + 13), y + uy * (_RADIUS + 13)
        anchor = "middle"
    else:
        # Beside the arrow, away from a voltage that points the same way.
        side = 1.0
        for other in crowd:
            apart = (phasor.angle_deg - other.angle_deg + 180) % 360 - 180
            if abs(apart) < _NEAR_DEG + 40:
                side = 1.0 if apart > 0 else -1.0
        px, py = uy * side, -ux * side
        at_x, at_y = x + ux * length + px * 14, y + uy * length + py * 14
        anchor = "start" if px > 0.35 else "end" if px < -0.35 else "middle"
        if anchor == "middle":
            at_y += 6 * (1 if py > 0 else -1)
    drawing.text(
        at_x, at_y + 4, label, size=11, colour=FAULT if phasor.changed else colour, anchor=anchor,
        bold=not is_voltage,
    )  # fmt: skip


def _key(drawing: Drawing, y: float) -> None:
    drawing.line(20, y, 48, y, colour=FAINT, width=1.4)
    drawing.text(54, y + 4, "voltage", size=10.5, colour=FAINT)
    at = 112.0
    for name, colour in PHASE_COLOURS.items():
        drawing.line(at, y, at + 30, y, colour=colour, width=3, dash=PHASE_DASHES[name])
        drawing.text(at + 36, y + 4, f"current {name}", size=10.5, colour=colour)
        at += 70 if name == "L3" else 72
        at += 28
