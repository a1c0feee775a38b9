"""What others say on the line: which devices are asked, how often, and what comes of it."""

from __future__ import annotations

from rich.style import Style

from busprobe.model.finding import certainty
from busprobe.tui import words
from busprobe.tui.frame_words import function_words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_STATES = {
    "quiet": ("silent", "Nothing was heard: nobody talks, or nothing arrives here."),
    "conversation": ("ok", "Somebody polls devices here."),
    "other-settings": ("warn", "Somebody talks, at settings other than those listened at."),
    "swapped-pair": ("fail", "A and B are swapped at the adapter."),
    "noise": ("warn", "Bursts of noise, and nobody who talks."),
    "floating-idle": ("fail", "The line floats while nobody talks: bias is missing."),
    "jabber": ("fail", "One device talks without end."),
    "undecided": ("unknown", "Something is heard that fits no picture yet."),
}
_COLUMNS = (("addr", 4), ("asked", 7), ("answered", 10), ("silent", 8), ("wrong", 7),
            ("every", 9), ("answers in", 12))  # fmt: skip
# Narrower than this, the last column is left out.
_ROOMY = 76
# Less of what was asked tells nothing.
_SOME_WORDS = 12


class ConversationTable(CanvasPanel):
    """The verdict of listening, and a row for each address that was spoken of."""

    DEFAULT_CSS = """
    ConversationTable { height: 1fr; min-height: 5; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw verdict, counts and table."""
        c, g = self.colours, self.glyphs
        listened = self.state.listened
        dim = Style(color=c.dim)
        if listened is None:
            canvas.write(0, 0, "Nobody has listened yet: l listens and sends nothing.", dim)
            return
        heard, talk = listened.heard, listened.conversation
        kind, text = _STATES.get(heard.state.value, ("unknown", heard.state.value))
        colour = {"ok": c.ok, "warn": c.warn, "fail": c.fail}.get(kind, c.dim)
        sign = getattr(g, kind)
        canvas.write(0, 0, f"{sign} {text}", Style(color=colour, bold=True))
        at = "" if heard.settings is None else f"at {heard.settings}, "
        counts = (
            f"{at}{certainty(heard.probability)} sure; {talk.frames} frames, {talk.pairs} "
            f"questions with their answer, {talk.junk_bytes} bytes of no frame"
        )
        top = 1
        for line in words.wrapped(counts, canvas.width - 2):
            canvas.write(2, top, line, dim)
            top += 1
        if not talk.devices:
            return
        columns = _COLUMNS if canvas.width >= _ROOMY else _COLUMNS[:-1]
        x = 0
        for title, width in columns:
            canvas.write(x, top, f"{title:>{width}}", dim)
            x += width
        canvas.write(x + 2, top, "state", dim)
        for row, device in enumerate(talk.devices, start=top + 1):
            every = "" if device.poll_s is None else f"{device.poll_s:.2f} s"
            took = "" if device.turnaround_ms is None else f"{device.turnaround_ms:.1f} ms"
            cells = (
                str(device.address), str(device.requests), str(device.answers),
                str(device.unanswered), str(device.errors), every, took,
            )  # fmt: skip
            well = device.answers and not device.unanswered and not device.errors
            x = 0
            for (_, width), cell in zip(columns, cells, strict=False):
                style = Style(color=c.accent, bold=True) if not x else Style(color=c.ink)
                canvas.write(x, row, f"{cell:>{width}}", style)
                x += width
            shown = words.Shown(g.ok, "answers", c.ok)
            if not device.answers:
                shown = words.Shown(g.fail, "absent", c.fail)
            elif not well:
                shown = words.Shown(g.warn, "trouble", c.warn)
            canvas.write(x + 2, row, str(shown), Style(color=shown.colour, bold=True))
            functions = ", ".join(function_words(code) for code in device.functions)
            room = canvas.width - x - 13
            if room >= _SOME_WORDS:
                canvas.write(x + 13, row, words.cut(functions, room, g), dim)
