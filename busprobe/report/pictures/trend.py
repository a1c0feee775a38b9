"""Active power over time, with the switchings of the load that were found."""

from __future__ import annotations

from collections.abc import Callable

from busprobe.report.pictures.data import TrendLine, TrendPicture
from busprobe.report.pictures.svg import (
    FAINT,
    GRID,
    INK,
    PAPER,
    PHASE_COLOURS,
    PHASE_DASHES,
    Drawing,
    nice_ticks,
)

Scale = Callable[[float], float]
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 646, 46, 218


def draw_trend(picture: TrendPicture) -> Drawing:
    """Draw the lines over a grid, each switching numbered at the top."""
    marks = ", ".join(f"{m.label} at {m.t_s:.0f} s" for m in picture.marks)
    drawing = Drawing(
        660,
        254,
        "Active power over time",
        f"{len(picture.lines)} phases over {picture.t_s[-1]:.0f} s; load switched: "
        f"{marks or 'no switching found'}",
    )
    values = [v for line in picture.lines for v in line.values if v is not None]
    low, high = min([0.0, *values]), max([0.0, *values])
    margin = 0.06 * (high - low or 1.0)
    low, high = low - margin, high + margin
    begin, end = picture.t_s[0], picture.t_s[-1]

    def x(t: float) -> float:
        return _LEFT + (t - begin) / (end - begin or 1.0) * (_RIGHT - _LEFT)

    def y(value: float) -> float:
        return _BOTTOM - (value - low) / (high - low) * (_BOTTOM - _TOP)

    for tick in nice_ticks(low, high):
        drawing.line(_LEFT, y(tick), _RIGHT, y(tick), colour=GRID, width=0.8)
        drawing.text(
            _LEFT - 7, y(tick) + 4, f"{tick:,.0f}".replace(",", "\u202f").replace("-", "−"),
            size=10.5, colour=FAINT, anchor="end",
        )  # fmt: skip
    for tick in nice_ticks(begin, end, 9):
        drawing.line(x(tick), _BOTTOM, x(tick), _BOTTOM + 4, colour=FAINT, width=0.8)
        drawing.text(x(tick), _BOTTOM + 17, f"{tick:g}", size=10.5, colour=FAINT, anchor="middle")
    drawing.line(_LEFT, y(0), _RIGHT, y(0), colour=INK, width=1)
    drawing.text(8, _TOP - 10, f"P in {picture.unit}", size=10.5, colour=FAINT)
    drawing.text(_RIGHT, _BOTTOM + 32, "time in s", size=10.5, colour=FAINT, anchor="end")
    for number, mark in enumerate(picture.marks, 1):
        at = x(mark.t_s)
        drawing.line(at, _TOP - 6, at, _BOTTOM, colour=FAINT, width=0.9, dash="3 3")
        drawing.circle(at, _TOP - 14, 8, fill=PAPER, colour=INK, width=0.9)
        drawing.text(at, _TOP - 10.3, str(number), size=10, anchor="middle", bold=True)
    for line in picture.lines:
        _draw_line(drawing, picture, line, x, y)
    _key(drawing, picture)
    return drawing


def _draw_line(
    drawing: Drawing, picture: TrendPicture, line: TrendLine, x: Scale, y: Scale
) -> None:
    run: list[tuple[float, float]] = []
    colour, dash = PHASE_COLOURS.get(line.name, INK), PHASE_DASHES.get(line.name, "")
    for t, value in zip(picture.t_s, line.values, strict=True):
        if value is None:
            if len(run) > 1:
                drawing.polyline(run, colour=colour, width=1.9, dash=dash)
            run = []
        else:
            run.append((x(t), y(value)))
    if len(run) > 1:
        drawing.polyline(run, colour=colour, width=1.9, dash=dash)


def _key(drawing: Drawing, picture: TrendPicture) -> None:
    at = _LEFT + 0.0
    for line in picture.lines:
        colour = PHASE_COLOURS.get(line.name, INK)
        drawing.line(
            at, 246, at + 30, 246, colour=colour, width=2, dash=PHASE_DASHES.get(line.name, "")
        )
        drawing.text(at + 36, 250, line.name, size=10.5, colour=colour, bold=True)
        at += 74
    if picture.marks:
        drawing.circle(at + 8, 246, 7, fill=PAPER, colour=INK, width=0.9)
        drawing.text(at + 8, 249.5, "n", size=9.5, anchor="middle", bold=True)
        drawing.text(
            at + 21, 250, "switching of the known load, as in the table", size=10.5, colour=FAINT
        )
