"""Turn-around times, one row per device over a common scale."""

from __future__ import annotations

from busprobe.report.pictures.data import HistogramPicture
from busprobe.report.pictures.svg import CALM, FAINT, GRID, Drawing, fitted, nice_ticks

_LEFT, _RIGHT, _ROW, _TOP = 222, 640, 46, 10


def draw_histogram(picture: HistogramPicture) -> Drawing:
    """Draw the rows; each is scaled to its own largest bin."""
    bins = max(len(row.counts) for row in picture.rows)
    # One bin of air on either side.
    begin = picture.first_ms - picture.bin_ms
    end = picture.first_ms + (bins + 1) * picture.bin_ms
    bottom = _TOP + _ROW * len(picture.rows)
    drawing = Drawing(
        660,
        bottom + 38,
        "Turn-around times",
        "; ".join(
            f"{row.title}: {row.total} answers, most in the bin from "
            f"{picture.first_ms + row.counts.index(max(row.counts)) * picture.bin_ms:g} ms"
            for row in picture.rows
        ),
    )

    def x(t: float) -> float:
        return _LEFT + (t - begin) / (end - begin) * (_RIGHT - _LEFT)

    for tick in nice_ticks(begin, end, 10):
        drawing.line(x(tick), _TOP, x(tick), bottom + 4, colour=GRID, width=0.8)
        drawing.text(x(tick), bottom + 17, f"{tick:g}", size=10.5, colour=FAINT, anchor="middle")
    for number, row in enumerate(picture.rows):
        base = _TOP + _ROW * (number + 1) - 6
        drawing.line(_LEFT, base, _RIGHT, base, colour=FAINT, width=0.8)
        drawing.text(
            _LEFT - 10, base - 14, fitted(row.title, _LEFT - 16, 11), size=11, anchor="end"
        )
        drawing.text(
            _LEFT - 10, base - 1, f"{row.total} answers", size=10, anchor="end", colour=FAINT
        )
        largest = max(row.counts) or 1
        for place, count in enumerate(row.counts):
            if count:
                height = max(2.0, (_ROW - 14) * count / largest)
                left = x(picture.first_ms + place * picture.bin_ms)
                right = x(picture.first_ms + (place + 1) * picture.bin_ms)
                drawing.rectangle(left + 0.4, base - height, right - left - 0.8, height, fill=CALM)
    drawing.text(
        _RIGHT, bottom + 32, f"turn-around in ms, bins of {picture.bin_ms:g} ms", size=10.5,
        colour=FAINT, anchor="end",
    )  # fmt: skip
    return drawing
