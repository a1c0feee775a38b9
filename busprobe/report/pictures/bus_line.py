"""The line with the devices hung on it; two devices on one drop where an address is double."""

from __future__ import annotations

from busprobe.report.pictures.data import BusDrop, BusPicture
from busprobe.report.pictures.svg import (
    CALM,
    CALM_PAPER,
    FAINT,
    FAULT,
    FAULT_PAPER,
    INK,
    Drawing,
    fitted,
)

_WIDTH, _ROOM, _PER_ROW = 660, 118, 5
_BOX, _BOX_HEIGHT, _APART = 108, 40, 8


def draw_bus(picture: BusPicture) -> Drawing:
    """Draw the devices in order of address: where they sit on the cable is not known."""
    rows = [picture.drops[n : n + _PER_ROW] for n in range(0, len(picture.drops), _PER_ROW)]
    heights = [68 + max(len(d.units) for d in row) * (_BOX_HEIGHT + _APART) for row in rows]
    drawing = Drawing(
        _WIDTH,
        sum(heights) + 6,
        "Devices on the line",
        "; ".join(_spoken(drop) for drop in picture.drops),
    )
    y = 26.0
    for number, (row, height) in enumerate(zip(rows, heights, strict=True)):
        _row(drawing, picture, row, y, is_first=number == 0, is_last=number == len(rows) - 1)
        y += height
    return drawing


def _spoken(drop: BusDrop) -> str:
    who = " and ".join(f"{u.title} {u.subtitle}".strip() for u in drop.units)
    state = ", more than one device" if drop.state == "duplicate" else ""
    return f"address {drop.address}: {who}{state}"


def _row(
    drawing: Drawing, picture: BusPicture, row: tuple[BusDrop, ...], y: float, *, is_first: bool,
    is_last: bool,
) -> None:  # fmt: skip
    left = 62
    for offset in (-2.5, 2.5):
        drawing.line(
            left if is_first else 20, y + offset, 632 if is_last else 650, y + offset, width=1.6
        )
    if is_first:
        drawing.rectangle(4, y - 16, 58, 32, fill=INK, radius=4)
        drawing.text(33, y + 4, "master", size=11, colour="#FFFFFF", anchor="middle", bold=True)
    if not is_last:
        drawing.text(652, y + 4, "…", size=12)
    step = (632 - 76) / max(len(row), 3)
    for number, drop in enumerate(row):
        _drop(drawing, drop, 76 + step * (number + 0.5), y, min(step - 8, _BOX + 22))


def _drop(drawing: Drawing, drop: BusDrop, x: float, y: float, width: float) -> None:
    double = drop.state == "duplicate"
    colour, paper = (FAULT, FAULT_PAPER) if double else (CALM, CALM_PAPER)
    drawing.circle(x, y, 4, fill=INK)
    drawing.line(x, y, x, y + 42, width=1.6, colour=colour if double else INK)
    drawing.text(x + 8, y + 22, f"address {drop.address}", size=11.5, bold=True, colour=colour)
    if double:
        drawing.text(x + 8, y + 35, f"✘ {len(drop.units)} devices", size=10, colour=colour)
    elif drop.state == "undecided":
        drawing.text(x + 8, y + 35, "one or two: open", size=10, colour=FAINT)
    at = y + 42
    for number, unit in enumerate(drop.units):
        if number:
            drawing.line(x, at - _APART, x, at, width=1.6, colour=colour)
        drawing.rectangle(
            x - width / 2, at, width, _BOX_HEIGHT, fill=paper, colour=colour, radius=4,
            stroke=1.4 if double else 1, dash="5 3" if double else "",
        )  # fmt: skip
        drawing.text(
            x, at + 17, fitted(unit.title, width - 8, 12.5), size=11, anchor="middle", bold=True
        )
        drawing.text(
            x, at + 32, fitted(unit.subtitle, width - 8, 10), size=10, anchor="middle",
            colour=FAINT,
        )  # fmt: skip
        at += _BOX_HEIGHT + _APART
