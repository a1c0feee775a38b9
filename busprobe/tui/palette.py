"""The command palette: every action of the table, for the screen in front."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from textual.command import DiscoveryHit, Hit, Hits, Provider

from busprobe.tui.actions import Action, Scope, actions_in
from busprobe.tui.widgets.key_line import is_possible_on


class ActionProvider(Provider):
    """Offers the actions that are possible now."""

    def _offered(self) -> list[Action]:
        scope = getattr(self.screen, "SCOPE", Scope.APP)
        offered = []
        for action in actions_in(scope, Scope.APP):
            if action.name in ("command_palette", "back"):
                continue
            target = self.app if action.scope is Scope.APP else self.screen
            if is_possible_on(target, action):
                offered.append(action)
        return offered

    def _runner(self, action: Action) -> Callable[[], Awaitable[object]]:
        target = self.app if action.scope is Scope.APP else self.screen

        async def run() -> object:
            return await target.run_action(action.call)

        return run

    async def discover(self) -> Hits:
        """Everything, so that the palette is never empty."""
        for action in self._offered():
            yield DiscoveryHit(title(action), self._runner(action), title(action), action.help)

    async def search(self, query: str) -> Hits:
        """What fits the query, in title or explanation."""
        matcher = self.matcher(query)
        for action in self._offered():
            score = max(matcher.match(title(action)), matcher.match(action.help) * 0.8)
            if score > 0:
                yield Hit(
                    score, matcher.highlight(title(action)), self._runner(action),
                    title(action), action.help,
                )  # fmt: skip


def title(action: Action) -> str:
    """How the palette names an action."""
    return f"{action.label} ({action.key_name})"
