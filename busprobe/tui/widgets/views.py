"""A pane that shows one of several views where not everything fits."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, ClassVar, cast

if TYPE_CHECKING:
    from textual.widget import Widget


class Views:
    """Mixin: the view shown, told to the style sheet as a class ``-NAME``.

    Attributes:
        views: All views, in the order in which they follow each other; the first is shown first.
    """

    views: ClassVar[tuple[StrEnum, ...]]
    _shown: StrEnum

    def on_mount(self) -> None:
        """Begin with the first view."""
        self.show_view(self.views[0])

    def show_view(self, view: StrEnum) -> None:
        """Show this view."""
        self._shown = view
        for each in self.views:
            cast("Widget", self).set_class(each is view, f"-{each}")
        self.refresh_state()

    def next_view(self) -> None:
        """Change to the next view."""
        self.show_view(self.views[(self.views.index(self._shown) + 1) % len(self.views)])

    def refresh_state(self) -> None:
        """Show what is known; for the pane to say how."""
        raise NotImplementedError
