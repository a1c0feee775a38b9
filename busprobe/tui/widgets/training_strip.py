"""One row above the job: the exercise, the time it took, and how to go on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.style import Style
from textual import events

from busprobe.tui import training_words, words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.session.training_room import Given
    from busprobe.tui.training_port import Training

_LOOK_EVERY_S = 1.0
_SHORTEST_NAME = 8


class TrainingStrip(CanvasPanel):
    """The exercise that is worked on; hidden when there is none."""

    DEFAULT_CSS = """
    TrainingStrip { height: 1; background: $bp-mark; display: none; }
    TrainingStrip.-on { display: block; }
    """

    def __init__(self, training: Training | None, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.training = training
        self._keys_from = 0

    def on_mount(self) -> None:
        """Time goes on while a step runs."""
        if self.training is not None:
            self.set_interval(_LOOK_EVERY_S, self.refresh_state)

    def refresh_state(self) -> None:
        """Show the exercise, if there is one."""
        given = None if self.training is None else self.training.given
        self.set_class(given is not None, "-on")
        super().refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Exercise, time, hands; the keys at the right."""
        training = self.training
        given = None if training is None else training.given
        if training is None or given is None:
            return
        c = self.colours
        pieces = self._pieces(training, given)
        keys = "e exercise  c causes"
        self._keys_from = canvas.width - cell_len(keys) - 1
        name = f"{words.safe(given.title)}"
        room = self._keys_from - 12 - sum(cell_len(p) + 2 for p in pieces)
        if cell_len(name) > room:
            # A letter or two of a title say nothing: what is known of time and hands goes first.
            name = words.cut(name, room, self.glyphs) if room >= _SHORTEST_NAME else ""
        canvas.write(1, 0, "Training", Style(color=c.accent, bold=True))
        canvas.write(10, 0, name, Style(color=c.ink, bold=True))
        x = 10 + (cell_len(name) + 2 if name else 0)
        for piece in pieces:
            if x + cell_len(piece) + 2 <= self._keys_from:
                canvas.write(x, 0, piece, Style(color=c.ink))
                x += cell_len(piece) + 2
        canvas.write(self._keys_from, 0, keys, Style(color=c.ink))
        canvas.write(self._keys_from, 0, "e", Style(color=c.accent, bold=True))
        canvas.write(self._keys_from + 12, 0, "c", Style(color=c.accent, bold=True))

    def _pieces(self, training: Training, given: Given) -> list[str]:
        if training.graded is not None:
            return ["answered"]
        standing = training.standing
        used = training_words.minutes(standing.used_s)
        pieces = [f"{used} of {training_words.minutes(given.par_s)}"]
        if given.hint_points:
            pieces.append(f"hints {self.glyphs.minus}{given.hint_points:.0f}")
        if standing.alone:
            pieces.append("manager unplugged")
        if standing.socket:
            pieces.append(f"heater: {words.safe(standing.socket)}")
        if standing.speed != 1.0:
            pieces.append(f"{standing.speed:.0f}x")
        return pieces

    async def on_click(self, event: events.Click) -> None:
        """The keys can be clicked; anywhere else the exercise opens."""
        action = "causes" if event.x >= self._keys_from + 12 else "training"
        await self.screen.run_action(action)
