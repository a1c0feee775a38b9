"""Where power flows at the site: arrows with signs and numbers."""

from __future__ import annotations

from busprobe.report.pictures.data import EnergyNode, EnergyPicture
from busprobe.report.pictures.svg import (
    CALM,
    CALM_PAPER,
    FAINT,
    INK,
    Drawing,
    fitted,
)

_IDLE_W = 10.0
_BOX, _HEIGHT = 150, 44
_WORDS = {
    "grid": ("imports", "exports"),
    "generation": ("draws", "generates"),
    "storage": ("charges", "discharges"),
    "consumption": ("draws", "gives"),
    "house": ("draws", "gives"),
}

_BELOW = {"house": "calculated", "consumption": "consumption, part of the house"}


def draw_energy(picture: EnergyPicture) -> Drawing:
    """Draw sources on the left of a busbar, what draws on the right."""
    left = [n for n in picture.nodes if n.role in ("grid", "generation", "storage")]
    right = [n for n in picture.nodes if n.role == "house"]
    right += [n for n in picture.nodes if n.role == "consumption"]
    rows = max(len(left), len(right))
    height = rows * 66 + 36
    drawing = Drawing(
        660, height, "Power flows", "; ".join(f"{n.name}: {_amount(n)}" for n in picture.nodes)
    )
    middle = 330
    drawing.line(middle, 16, middle, height - 26, width=6)
    drawing.text(middle, height - 10, "busbar", size=10.5, anchor="middle", colour=FAINT)
    for number, node in enumerate(left):
        _draw(drawing, node, 18 + 66 * number, is_left=True)
    for number, node in enumerate(right):
        _draw(drawing, node, 18 + 66 * number, is_left=False)
    return drawing


def _amount(node: EnergyNode) -> str:
    if node.power_w is None:
        return node.note or "not known"
    if abs(node.power_w) < _IDLE_W:
        return f"at rest ({node.power_w:+.0f} W)".replace("-", "−")
    positive, negative = _WORDS[node.role]
    word = positive if node.power_w > 0 else negative
    return f"{word} {node.power_w:+,.0f} W".replace(",", "\u202f").replace("-", "−")


def _draw(drawing: Drawing, node: EnergyNode, y: float, *, is_left: bool) -> None:
    x = 10 if is_left else 650 - _BOX
    dashed = node.role in ("consumption",)
    drawing.rectangle(
        x, y, _BOX, _HEIGHT, fill=CALM_PAPER, colour=CALM, radius=5, dash="5 3" if dashed else ""
    )
    drawing.text(
        x + _BOX / 2, y + 19, fitted(node.name, _BOX - 10, 12), size=12, anchor="middle", bold=True
    )
    below = _BELOW.get(node.role, node.role)
    drawing.text(x + _BOX / 2, y + 35, below, size=9.5, anchor="middle", colour=FAINT)
    inner, bar = (x + _BOX + 6, 324.0) if is_left else (x - 6.0, 336.0)
    at = y + _HEIGHT / 2
    middle = (inner + bar) / 2
    drawing.text(middle, at - 8, _amount(node), size=11, anchor="middle", bold=True)
    if node.power_w is None or abs(node.power_w) < _IDLE_W:
        drawing.line(inner, at, bar, at, colour=FAINT, width=1.2, dash="2 4")
        return
    # Grid import flows towards the busbar; what any other node imports flows away from it.
    towards_bar = (node.power_w > 0) == (node.role == "grid")
    width = 2.0 if abs(node.power_w) < 1000 else 3.0
    ends = (inner, bar) if towards_bar else (bar, inner)
    drawing.arrow(ends[0], at, ends[1], at, colour=INK, width=width, head=11)
