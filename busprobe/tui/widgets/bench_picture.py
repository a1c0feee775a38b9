"""A bench test in pictures: answers at each line setting, register map, and the label."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.style import Style

from busprobe.model.line import told_together
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.bench import BenchSheet, ModelSheet, SettingsStatistics

_NAME = 14
_NUMBERS = 26
_LEAST_LABEL = 34


class View(StrEnum):
    """What is shown of a bench test where not everything fits."""

    CHECKS = "checks"
    SETTINGS = "settings"
    MAP = "map"
    LABEL = "label"


class BenchPicture(CanvasPanel):
    """One of the pictures; says what will be here before there is one."""

    DEFAULT_CSS = """
    BenchPicture { height: 1fr; min-height: 4; }
    """

    def __init__(self, view: View, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.view = view

    def draw(self, canvas: Canvas) -> None:
        """Draw the picture of this view."""
        sheet = self.state.bench
        if sheet is None:
            waits = {
                View.SETTINGS: "Answers at each line setting appear here.",
                View.MAP: "The register map beside the published models appears here.",
                View.LABEL: "The text for the meter's label appears here.",
            }.get(self.view, "")
            canvas.write(0, 0, waits, Style(color=self.colours.dim))
        elif self.view is View.SETTINGS:
            self._settings(canvas, sheet)
        elif self.view is View.MAP:
            self._map(canvas, sheet)
        else:
            self._label(canvas, sheet)

    # Line settings -----------------------------------------------------------------------------

    def _settings(self, canvas: Canvas, sheet: BenchSheet) -> None:
        c, g = self.colours, self.glyphs
        dim = Style(color=c.dim)
        canvas.write(0, 0, f"{'answers at':<{_NAME}}{'answered':>9}{'median':>9}{'rest':>8}", dim)
        heading = "turn-around, to 95 %, to longest"
        if canvas.width >= _NAME + _NUMBERS + 2 + len(heading):
            canvas.write(_NAME + _NUMBERS + 2, 0, heading, dim)
        worst = max((s.worst_ms or 0.0 for s in sheet.statistics), default=0.0)
        room = canvas.width - _NAME - _NUMBERS - 12
        measured = [s for s in sheet.statistics if s.measured.value != "not-measured"]
        for row, found in enumerate(measured, start=1):
            here = Style(color=c.accent if found.current else c.ink, bold=found.current)
            canvas.write(0, row, words.safe(found.settings), here)
            if not found.requests:
                canvas.write(_NAME, row, f"{g.fail} {words.safe(found.why)}", Style(color=c.warn))
                continue
            self._row(canvas, row, found, worst, room)
        row = len(measured) + 1
        untested = told_together(s.settings for s in sheet.statistics if s not in measured)
        for text, style in (
            (f"{g.unknown} not measured: {untested}." if untested else "", Style(color=c.warn)),
            (self._note(sheet), dim),
        ):
            for line in words.wrapped(words.safe(text), canvas.width) if text else ():
                canvas.write(0, row, line, style)
                row += 1

    @staticmethod
    def _note(sheet: BenchSheet) -> str:
        untested = any(not s.requests for s in sheet.statistics)
        if not sheet.settings_note:
            return ""
        lead = "Afterwards it" if sheet.written else "Other settings:"
        note = f"{lead} {sheet.settings_note}."
        return f"{note} u shows what going there writes." if untested else note

    def _row(
        self, canvas: Canvas, row: int, found: SettingsStatistics, worst: float, room: int
    ) -> None:
        c, g = self.colours, self.glyphs
        good = found.answered == found.requests
        counts = f"{found.answered}/{found.requests}"
        canvas.write(
            _NAME, row, f"{g.ok if good else g.fail} {counts:>7}",
            Style(color=c.ok if good else c.fail, bold=True),
        )  # fmt: skip
        rest = "" if found.gap_ms is None else f"{found.gap_ms:.1f}"
        canvas.write(_NAME + 9, row, f"{found.median_ms or 0.0:>9.1f}{rest:>8}", Style(color=c.ink))
        if worst <= 0 or room < 8:
            return
        start = _NAME + _NUMBERS + 2
        for value, sign, colour in (
            (found.worst_ms, g.bar[1], c.faint),
            (found.p95_ms, g.bar[0], c.accent),
        ):
            cells = round(room * (value or 0.0) / worst)
            canvas.write(start, row, sign * cells, Style(color=colour))
        text = f"{found.worst_ms or 0.0:.1f} ms"
        canvas.write(start + room + 1, row, text, Style(color=c.dim))

    # Register map ------------------------------------------------------------------------------

    def _map(self, canvas: Canvas, sheet: BenchSheet) -> None:
        c = self.colours
        dim = Style(color=c.dim)
        if not sheet.models:
            canvas.write(0, 0, "It has no SunSpec map to hold against the models.", dim)
            return
        heads = f"{'model':<7}{'at':>6}{'length':>8}{'published':>11}{'mandatory':>11}"
        canvas.write(0, 0, f"{heads}{'optional':>10}", dim)
        row = 1
        for model in sheet.models:
            row = self._model(canvas, row, model)

    def _model(self, canvas: Canvas, row: int, model: ModelSheet) -> int:
        c, g = self.colours, self.glyphs
        there = model.mandatory - len(model.missing) - len(model.unreadable) - len(model.beyond)
        canvas.write(0, row, f"{model.model_id:<7}", Style(color=c.accent, bold=True))
        canvas.write(7, row, f"{model.register:>6}", Style(color=c.ink))
        wrong = model.length_right is False
        colour = c.fail if wrong else c.ink
        canvas.write(13, row, f"{model.length:>8}", Style(color=colour, bold=wrong))
        canvas.write(21, row, f"{words.safe(model.published) or 'no':>11}", Style(color=c.dim))
        full = there == model.mandatory
        canvas.write(
            32, row, f"{f'{there}/{model.mandatory}':>9} {g.ok if full else g.fail}",
            Style(color=c.ok if full else c.fail, bold=True),
        )  # fmt: skip
        canvas.write(43, row, f"{-len(model.absent):>10}", Style(color=c.dim))
        row += 1
        troubles = [f"not implemented: {', '.join(model.missing)}"] if model.missing else []
        troubles += [f"not readable: {', '.join(model.unreadable)}"] if model.unreadable else []
        troubles += [f"behind its length: {', '.join(model.beyond)}"] if model.beyond else []
        troubles += [*model.wrong_scales, *model.wrong_marks]
        for trouble in troubles:
            for line in words.wrapped(f"{g.fail} {words.safe(trouble)}", canvas.width - 3):
                canvas.write(3, row, line, Style(color=c.fail))
                row += 1
        notes = [f"0, counted nothing yet or not implemented: {', '.join(model.uncounted)}"]
        for note in notes if model.uncounted else []:
            for line in words.wrapped(f"{g.note} {words.safe(note)}", canvas.width - 3):
                canvas.write(3, row, line, Style(color=c.dim))
                row += 1
        return row

    # Label -------------------------------------------------------------------------------------

    def _label(self, canvas: Canvas, sheet: BenchSheet) -> None:
        c, g = self.colours, self.glyphs
        lines = [words.safe(line) for line in sheet.label.splitlines()]
        width = min(canvas.width, max(_LEAST_LABEL, *(cell_len(line) + 9 for line in lines)))
        colour = c.ok if sheet.passed else c.fail
        edge = Style(color=colour, bold=True)
        box = g.heavy_box
        canvas.write(0, 0, box[0] + box[1] * (width - 2) + box[2], edge)
        for row, line in enumerate(lines, start=1):
            canvas.write(0, row, box[3], edge)
            canvas.write(width - 1, row, box[3], edge)
            last = row == len(lines)
            sign = f"{g.ok if sheet.passed else g.fail} " if last else ""
            style = edge if last else Style(color=c.ink, bold=row == 1)
            canvas.write(3, row, sign + line, style)
        canvas.write(0, len(lines) + 1, box[4] + box[1] * (width - 2) + box[5], edge)
