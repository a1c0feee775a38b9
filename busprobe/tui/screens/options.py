"""The options of a step, and what the report is made from: fields that are taken over by Enter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from textual.binding import BindingType

from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.form import FormField
from busprobe.tui.screens.form_sheet import FormSheet


class OptionsScreen(FormSheet):
    """Answers with what stands in the fields, or None where it is left as it was."""

    SCOPE = Scope.OPTIONS
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.OPTIONS, modal=True)
    """Made from the table of actions."""

    def __init__(
        self, title: str, topic: str, fields: tuple[FormField, ...], texts: Mapping[str, str]
    ) -> None:
        """Make the sheet.

        Args:
            title: What is chosen here.
            topic: Its help text.
            fields: The fields.
            texts: What stands in them.
        """
        super().__init__(fields, texts)
        self.help_topic = topic
        self._title = title

    def on_mount(self) -> None:
        """Name the sheet."""
        self.query_one("#sheet").border_title = self._title
        super().on_mount()

    def on_input_submitted(self) -> None:
        """Enter in a field takes over."""
        self.action_take()

    def action_take(self) -> None:
        """Take over what stands in the fields; the first mistake is shown instead."""
        if not self.shows_mistake():
            self.dismiss(self.texts)

    def action_usual(self) -> None:
        """Put everything back as it usually is."""
        self.dismiss({})
