"""A row of names to tick, by key or by mouse."""

from __future__ import annotations

from rich.style import Style
from textual import events
from textual.message import Message

from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel


class TickRow(CanvasPanel):
    """Names that can be ticked; the screen binds the keys."""

    DEFAULT_CSS = """
    TickRow { height: 2; padding: 0 1; }
    """

    class Changed(Message):
        """A name was ticked, or no longer is."""

    def __init__(self, names: tuple[str, ...], *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.names = names
        self.enabled = False
        self._ticked: set[str] = set()

    @property
    def ticked(self) -> tuple[str, ...]:
        """What is ticked, in order."""
        return tuple(name for name in self.names if name in self._ticked)

    def toggle(self, name: str) -> None:
        """Tick a name, or not."""
        self._ticked ^= {name}
        self.post_message(self.Changed())

    def clear(self) -> None:
        """Tick nothing."""
        self._ticked.clear()
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """A box beside each name."""
        c, g = self.colours, self.glyphs
        for number, name in enumerate(self.names):
            box = f"[{g.ok if name in self._ticked else ' '}]"
            style = Style(color=c.ink if self.enabled else c.dim, bold=name in self._ticked)
            canvas.write(number * 8, 0, f"{box} {name}", style)
        hint = "1 2 3 tick the inputs" if self.enabled else "no input to tick"
        canvas.write(0, 1, hint, Style(color=c.dim))

    def on_click(self, event: events.Click) -> None:
        """Tick what was clicked."""
        number = (event.x - 1) // 8
        if self.enabled and 0 <= number < len(self.names):
            self.toggle(self.names[number])
