"""How well text stands out: the measure of WCAG 2.2, and every text that is on a screen."""

from __future__ import annotations

import re

from textual.app import App
from textual.geometry import Offset


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb", WCAG 2.2, definition "relative luminance"."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition "contrast ratio"."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def pale_texts(app: App[object], wanted: float) -> set[str]:
    """Texts with less contrast than wanted; what lies under the veil of a sheet is left out."""
    screen = app.screen
    regions = [screen.region] if not screen.is_modal else [c.region for c in screen.children]
    found = set()
    for row, strip in enumerate(screen._compositor.render_strips()):
        column = 0
        for segment in strip:
            at, column = Offset(column, row), column + segment.cell_length
            if not re.search(r"\w", segment.text) or not any(r.contains_point(at) for r in regions):
                continue
            style = segment.style
            ink = style.color if style else None
            ground = style.bgcolor if style else None
            if ink is None or ground is None or ink.triplet is None or ground.triplet is None:
                found.add(f"{segment.text.strip()!r} without colours")
                continue
            pair = (ink.triplet.hex, ground.triplet.hex)
            if style is not None and style.reverse:
                pair = (pair[1], pair[0])
            if (ratio := contrast(*pair)) < wanted:
                found.add(f"{segment.text.strip()!r}: {pair[0]} on {pair[1]} is {ratio:.2f}")
    return found
