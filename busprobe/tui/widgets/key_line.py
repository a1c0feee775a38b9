"""The line of keys at the bottom; each can also be clicked."""

from __future__ import annotations

from rich.cells import cell_len
from rich.style import Style
from textual import events
from textual.dom import DOMNode

from busprobe.tui.actions import Action, Scope, actions_in
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel


class KeyLine(CanvasPanel):
    """Actions that are possible now; what does not fit is left out, the app's own come last."""

    DEFAULT_CSS = """
    KeyLine { dock: bottom; height: 1; background: $bp-raised; }
    """

    def __init__(self, scope: Scope, *, only: tuple[str, ...] = (), id: str | None = None) -> None:
        super().__init__(id=id)
        self.scope = scope
        self.only = only
        self._targets: list[tuple[int, int, Action]] = []

    def offered(self) -> list[Action]:
        """Actions to offer now."""
        scopes = (self.scope,) if self.only else (self.scope, Scope.APP)
        return [
            action
            for action in actions_in(*scopes)
            if action.shown
            and (not self.only or action.name in self.only)
            and is_possible(self, action)
        ]

    def draw(self, canvas: Canvas) -> None:
        """Draw keys and labels."""
        self._targets = []
        offered = self.offered()
        x = 1
        closing = [] if self.only else [a for a in offered if a.scope is Scope.APP]
        # One column stays free at the right, as at the left.
        room = canvas.width + 1 - sum(self._width(a) + 2 for a in closing)
        for action in offered:
            if action in closing:
                continue
            if x + self._width(action) + 2 * bool(closing) > room:
                break
            x = self._key(canvas, x, action)
        x = max(x, room)
        for action in closing:
            x = self._key(canvas, x, action)

    def on_click(self, event: events.Click) -> None:
        """Run the action under the pointer."""
        for start, end, action in self._targets:
            if start <= event.x < end:
                self.run_worker(run_action(self, action), exit_on_error=True)
                return

    def _width(self, action: Action) -> int:
        return cell_len(self.glyphs.plain(action.key_name)) + 1 + cell_len(action.label)

    def _key(self, canvas: Canvas, x: int, action: Action) -> int:
        c = self.colours
        key = self.glyphs.plain(action.key_name)
        canvas.write(x, 0, key, Style(color=c.accent, bold=True))
        canvas.write(x + cell_len(key) + 1, 0, action.label, Style(color=c.ink))
        end = x + self._width(action)
        self._targets.append((x, end, action))
        return end + 2


def is_possible(widget: CanvasPanel, action: Action) -> bool:
    """Whether an action can be done now."""
    return is_possible_on(widget.app if action.scope is Scope.APP else widget.screen, action)


def is_possible_on(target: DOMNode, action: Action) -> bool:
    """Whether an action can be done now on the application or screen that it belongs to."""
    name, _, rest = action.call.partition("(")
    parameters: tuple[object, ...] = (rest,) if rest else ()
    return bool(target.check_action(name, parameters))


async def run_action(widget: CanvasPanel, action: Action) -> None:
    """Run an action where it belongs."""
    target = widget.app if action.scope is Scope.APP else widget.screen
    await target.run_action(action.call)
