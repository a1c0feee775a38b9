"""One recorded exchange on a time axis: who spoke when."""

from __future__ import annotations

from busprobe.report.pictures.data import CollisionPicture, Speech
from busprobe.report.pictures.svg import (
    CALM,
    CALM_PAPER,
    FAINT,
    FAULT,
    FAULT_PAPER,
    GRID,
    INK,
    Drawing,
    fitted,
    nice_ticks,
    text_width,
)

_LEFT, _RIGHT = 96, 640
_LANES = {"request": 40.0, "answer": 86.0, "noise": 132.0}
_TITLES = {"request": "master", "answer": "answers", "noise": "no frame"}
_LANE_HEIGHT = 26


def draw_collision(picture: CollisionPicture) -> Drawing:
    """Draw three lanes: what we asked, whole answers, and bytes that belong to no frame."""
    drawing = Drawing(
        660,
        214,
        f"Exchange {picture.exchange} at address {picture.address}",
        "; ".join(
            f"{s.label}: {s.start_ms:.1f} to {s.end_ms:.1f} ms, {s.characters} characters"
            for s in picture.speeches
        ),
    )
    end = max(s.end_ms for s in picture.speeches) * 1.04 or 1.0

    def x(t: float) -> float:
        return _LEFT + t / end * (_RIGHT - _LEFT)

    for tick in nice_ticks(0, end, 9):
        drawing.line(x(tick), 28, x(tick), 166, colour=GRID, width=0.8)
        drawing.text(x(tick), 180, f"{tick:g}", size=10.5, colour=FAINT, anchor="middle")
    for kind, top in _LANES.items():
        drawing.text(
            _LEFT - 12, top + 17, _TITLES[kind], size=11.5, anchor="end", bold=True, colour=INK
        )
        drawing.line(_LEFT, top + _LANE_HEIGHT, _RIGHT, top + _LANE_HEIGHT, colour=GRID)
    for speech in picture.speeches:
        _speech(drawing, speech, x(speech.start_ms), x(speech.end_ms))
    for t in picture.errors_ms:
        drawing.line(x(t), 164, x(t), 168, colour=FAULT, width=1.4)
    drawing.text(_RIGHT, 194, "ms after the request began", size=10.5, colour=FAINT, anchor="end")
    drawing.text(
        _LEFT, 208,
        f"received times are exact to {picture.uncertainty_ms:.1f} ms; "
        + _marks(picture),
        size=10, colour=FAINT,
    )  # fmt: skip
    return drawing


def _marks(picture: CollisionPicture) -> str:
    if not picture.marks_known:
        return "the adapter does not tell which characters were damaged"
    if picture.errors_ms:
        return f"{len(picture.errors_ms)} characters marked as damaged by the receiver"
    return "the receiver marked no character as damaged"


def _speech(drawing: Drawing, speech: Speech, x1: float, x2: float) -> None:
    top = _LANES[speech.kind]
    paper, colour = {
        "request": (INK, INK),
        "answer": (CALM_PAPER, CALM),
        "noise": (FAULT_PAPER, FAULT),
    }[speech.kind]
    width = max(3.0, x2 - x1)
    drawing.rectangle(
        x1, top + 2, width, _LANE_HEIGHT - 4, fill=paper, colour=colour, stroke=1.3, radius=2,
        dash="4 2" if speech.kind == "noise" else "",
    )  # fmt: skip
    count = f"{speech.characters} character{'s' * (speech.characters != 1)}"
    if width > 70:
        drawing.text(
            x1 + 6, top + 17, fitted(speech.hex, width - 12, 10.5), size=9.5, mono=True,
            colour="#FFFFFF" if speech.kind == "request" else colour,
        )  # fmt: skip
        label = f"{speech.label}, {count}"
        drawing.text(x1, top - 3, label, size=10.5, colour=colour)
        return
    label = f"{speech.label}, {count}" + (f": {speech.hex}" if speech.kind != "request" else "")
    room = text_width(label, 10.5)
    if x1 - room - 8 > _LEFT:
        drawing.text(x1 - 6, top + 17, label, size=10.5, colour=colour, anchor="end")
    else:
        drawing.text(x2 + 6, top + 17, label, size=10.5, colour=colour)
