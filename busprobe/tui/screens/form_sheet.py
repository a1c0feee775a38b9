"""A sheet with a form: fields, what the marked one is for, and what is wrong in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import cast

from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input, Select, Static

from busprobe.tui import words
from busprobe.tui.actions import Scope
from busprobe.tui.form import FormField, mistakes
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading


class FormSheet(Looks, ModalScreen[dict[str, str] | None]):
    """What every sheet with a form shares.

    Up and down move between the fields, Page up and Page down scroll what is to be read.
    """

    SCOPE = Scope.HELP
    SHEET_TITLE = ""
    ACROSS = 1
    """Fields beside each other."""

    DEFAULT_CSS = """
    FormSheet { align: center middle; background: $bp-paper 60%; }
    FormSheet #sheet { width: 96%; max-width: 112; height: auto; max-height: 96%;
                       background: $bp-paper; border: round $bp-accent;
                       border-title-color: $bp-ink; border-title-style: bold; }
    FormSheet #fields { height: auto; max-height: 14; padding: 0 1; }
    FormSheet .fields-row { height: 1; }
    FormSheet .name { width: 17; color: $bp-dim; }
    FormSheet .name.-wrong { color: $bp-warn; }
    FormSheet .fields-row Input, FormSheet .fields-row Select { width: 1fr; margin-right: 2; }
    FormSheet #remark { height: auto; min-height: 2; max-height: 4; padding: 0 1; }
    FormSheet #prose { padding: 0 1; }
    FormSheet KeyLine { dock: bottom; height: 1; }
    """

    def __init__(self, fields: tuple[FormField, ...], texts: Mapping[str, str]) -> None:
        """Make the sheet.

        Args:
            fields: The fields, in their order.
            texts: What stands in them; what is left out has its default.
        """
        super().__init__()
        self.fields = fields
        self._texts = dict(texts)

    def compose(self) -> ComposeResult:
        """Title, fields, remark, prose, keys."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = self.SHEET_TITLE
            with VerticalScroll(id="fields", can_focus=False):
                for row in self._rows():
                    with Horizontal(classes="fields-row"):
                        for field in row:
                            yield Static(field.label, classes=f"name of-{field.name}", markup=False)
                            yield self._widget(field)
            yield Prose(id="remark")
            with Reading(id="prose"):
                yield Prose(id="text")
            yield KeyLine(self.SCOPE)

    def shows_mistake(self) -> bool:
        """Go to the first field that is wrong, where one is; its remark says what to do."""
        wrong = mistakes(self.fields, self.texts)
        first = next((field for field in self.fields if field.name in wrong), None)
        if first is None:
            return False
        self.query_one(f"#{first.name}").focus()
        self.refresh_state()
        return True

    def _rows(self) -> Iterator[tuple[FormField, ...]]:
        """The fields as they stand beside each other: down the first column, then the next."""
        rows = -(-len(self.fields) // self.ACROSS)
        for row in range(rows):
            yield self.fields[row::rows]

    def _widget(self, field: FormField) -> Widget:
        text = field.text(self._texts)
        if field.choices:
            return Select(field.choices, value=text, allow_blank=False, id=field.name, compact=True)
        return Input(
            text, id=field.name, compact=True, select_on_focus=False,
            placeholder=field.placeholder,
        )  # fmt: skip

    def on_mount(self) -> None:
        """The keys go to the first field."""
        self.query_one(f"#{self.fields[0].name}").focus()
        self.refresh_state()

    @property
    def texts(self) -> dict[str, str]:
        """What stands in the fields."""
        found = {}
        for field in self.fields:
            widget = self.query_one(f"#{field.name}")
            if isinstance(widget, Select):
                found[field.name] = str(widget.value)
            else:
                found[field.name] = cast(Input, widget).value.strip()
        return found

    @property
    def marked(self) -> FormField | None:
        """The field to which the keys go."""
        focused = self.focused
        return next((f for f in self.fields if focused is not None and f.name == focused.id), None)

    def refresh_state(self) -> None:
        """Show what the marked field is for, what is wrong, and what is to be read."""
        texts = self.texts
        wrong = mistakes(self.fields, texts)
        for field in self.fields:
            label = self.query_one(f".of-{field.name}")
            label.set_class(field.name in wrong, "-wrong")
        told = {name: words.told(str(error)) for name, error in wrong.items()}
        self.query_one("#remark", Prose).show(self._remark(told))
        self.query_one("#text", Prose).show(self.text(texts, bool(wrong)))
        self.query_one("#prose").display = not self.query_one("#text", Prose).is_empty
        self.query_one(KeyLine).refresh_state()

    def _remark(self, wrong: Mapping[str, str]) -> Text:
        c, g = self.colours, self.glyphs
        marked = self.marked
        text = Text()
        if marked is not None and marked.name in wrong:
            return Text(f"{g.warn} {marked.label}: {wrong[marked.name]}", Style(color=c.warn))
        if wrong:
            names: Iterable[str] = (f.label for f in self.fields if f.name in wrong)
            text.append(f"{g.warn} To be corrected: {', '.join(names)}. ", Style(color=c.warn))
        if marked is not None:
            text.append(marked.about, Style(color=c.dim))
        return text

    def text(self, texts: Mapping[str, str], wrong: bool) -> Text:
        """What is to be read below the fields.

        Args:
            texts: What stands in them.
            wrong: Whether something in them makes no sense.
        """
        return Text()

    def on_descendant_focus(self) -> None:
        """Tell what the field is for."""
        self.refresh_state()

    def on_input_changed(self) -> None:
        """Check while typing."""
        self.refresh_state()

    def on_select_changed(self) -> None:
        """Check what was chosen."""
        self.refresh_state()

    def on_resize(self) -> None:
        """Wrap anew."""
        self.refresh_state()

    def on_key(self, event: events.Key) -> None:
        """Up and down between the fields; what is to be read is scrolled by pages."""
        if event.key in ("up", "down") and isinstance(self.focused, Input):
            event.stop()
            names = [field.name for field in self.fields]
            here = names.index(str(self.focused.id))
            by = -1 if event.key == "up" else 1
            self.query_one(f"#{names[(here + by) % len(names)]}").focus()
        else:
            self.query_one("#prose", Reading).turns_page(event)

    def action_back(self) -> None:
        """Close; what was typed is left."""
        self.dismiss()
