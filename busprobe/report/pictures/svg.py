"""Pictures as SVG text: no script, no font, no file from elsewhere; every text is escaped."""

from __future__ import annotations

from html import escape

# Okabe and Ito, "Color Universal Design" (2008), darkened for lines on white paper; told apart by
# dashes and words as well.
PHASE_COLOURS = {"L1": "#B86E00", "L2": "#0072B2", "L3": "#8E3F7D"}
PHASE_DASHES = {"L1": "", "L2": "9 4", "L3": "2.5 3"}
INK, FAINT, GRID, PAPER = "#1B2733", "#5A6875", "#D5DBE1", "#FFFFFF"
FAULT, FAULT_PAPER = "#B34700", "#FCEBE0"
CALM, CALM_PAPER = "#00598C", "#E6F1F8"
FONT = "'Segoe UI','Helvetica Neue',Arial,'Liberation Sans','DejaVu Sans','Libertinus Serif'"
# Mean width of a character over its height in these fonts (measured on Liberation Sans).
_ASPECT = 0.53


def fitted(text: str, width: float, size: float) -> str:
    """A text cut to a width [px]."""
    room = max(1, int(width / (size * _ASPECT)))
    return text if len(text) <= room else text[: room - 1] + "…"


def text_width(text: str, size: float) -> float:
    """About how wide a text is [px]."""
    return len(text) * size * _ASPECT


class Drawing:
    """Collects shapes; `svg` gives the text.

    Args:
        width: Width of the canvas [px].
        height: Height of the canvas [px].
        title: What the picture is.
        description: What it shows, for those who do not see it.
    """

    def __init__(self, width: float, height: float, title: str, description: str) -> None:
        self.width, self.height = width, height
        self._title, self._description = title, description
        self._parts: list[str] = []

    def _add(self, tag: str, attributes: dict[str, object], inner: str | None = None) -> None:
        written = "".join(
            f' {name.replace("_", "-")}="{escape(_number(value), quote=True)}"'
            for name, value in attributes.items()
            if value not in (None, "")
        )
        self._parts.append(
            f"<{tag}{written}/>" if inner is None else f"<{tag}{written}>{inner}</{tag}>"
        )

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, colour: str = INK, width: float = 1,
        dash: str = "",
    ) -> None:  # fmt: skip
        """A straight line."""
        self._add(
            "line",
            {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke": colour, "stroke_width": width,
             "stroke_dasharray": dash, "stroke_linecap": "round"},
        )  # fmt: skip

    def rectangle(
        self, x: float, y: float, width: float, height: float, *, fill: str = "none",
        colour: str = "none", stroke: float = 1, radius: float = 0, dash: str = "",
    ) -> None:  # fmt: skip
        """A rectangle."""
        self._add(
            "rect",
            {"x": x, "y": y, "width": max(0.0, width), "height": max(0.0, height), "fill": fill,
             "stroke": colour, "stroke_width": stroke, "rx": radius, "stroke_dasharray": dash},
        )  # fmt: skip

    def circle(
        self, x: float, y: float, radius: float, *, fill: str = "none", colour: str = "none",
        width: float = 1, dash: str = "",
    ) -> None:  # fmt: skip
        """A circle."""
        self._add(
            "circle",
            {"cx": x, "cy": y, "r": radius, "fill": fill, "stroke": colour,
             "stroke_width": width, "stroke_dasharray": dash},
        )  # fmt: skip

    def polyline(
        self, points: list[tuple[float, float]], *, colour: str, width: float = 1.5, dash: str = ""
    ) -> None:
        """Straight lines from point to point."""
        listed = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
        self._add(
            "polyline",
            {"points": listed, "fill": "none", "stroke": colour, "stroke_width": width,
             "stroke_dasharray": dash, "stroke_linejoin": "round"},
        )  # fmt: skip

    def polygon(self, points: list[tuple[float, float]], *, fill: str) -> None:
        """A filled shape."""
        listed = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
        self._add("polygon", {"points": listed, "fill": fill})

    def text(
        self, x: float, y: float, text: str, *, size: float = 11, colour: str = INK,
        anchor: str = "start", bold: bool = False, mono: bool = False,
    ) -> None:  # fmt: skip
        """A line of text; its direction cannot reach the rest."""
        self._add(
            "text",
            {"x": x, "y": y, "font_size": size, "fill": colour,
             "text_anchor": "" if anchor == "start" else anchor,
             "font_weight": 600 if bold else "",
             "font_family": "'DejaVu Sans Mono','Consolas',monospace" if mono else "",
             "unicode_bidi": "isolate"},
            escape(text),
        )  # fmt: skip

    def arrow(
        self, x1: float, y1: float, x2: float, y2: float, *, colour: str = INK, width: float = 2,
        dash: str = "", head: float = 7,
    ) -> None:  # fmt: skip
        """A line with a head at its end."""
        length = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
        if length < 1e-6:
            return
        head = min(head, length)
        ux, uy = (x2 - x1) / length, (y2 - y1) / length
        bx, by = x2 - ux * head, y2 - uy * head
        self.line(x1, y1, bx, by, colour=colour, width=width, dash=dash)
        half = head * 0.45
        self.polygon(
            [(x2, y2), (bx - uy * half, by + ux * half), (bx + uy * half, by - ux * half)],
            fill=colour,
        )

    def svg(self, name: str) -> str:
        """The picture.

        Args:
            name: Unique within the page, for the references from title and description.
        """
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" '
            f'aria-labelledby="{name}-t {name}-d" viewBox="0 0 {_number(self.width)} '
            f'{_number(self.height)}" width="{_number(self.width)}" '
            f'height="{_number(self.height)}" font-family="{FONT}">'
            f'<title id="{name}-t">{escape(self._title)}</title>'
            f'<desc id="{name}-d">{escape(self._description)}</desc>'
            f"{''.join(self._parts)}</svg>"
        )


def _number(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values that cover a range, a handful of them."""
    span = high - low
    if span <= 0:
        return [low]
    power = 1.0
    while power > span:
        power /= 10
    while power * 10 <= span:
        power *= 10
    step = next(
        s for s in (power / 10, power / 5, power / 2, power, 2 * power, 5 * power, 10 * power)
        if span / s <= most
    )  # fmt: skip
    first = int(low // step)
    ticks = [n * step for n in range(first, first + most + 3)]
    return [t for t in ticks if low - 1e-9 * span <= t <= high + 1e-9 * span]
