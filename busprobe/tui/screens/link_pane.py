"""The link step: choose a port, a host or a simulated bus, and open it."""

from __future__ import annotations

import re

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Select, Static

from busprobe.model.line import LineSettings, Parity
from busprobe.tui import words
from busprobe.tui.session_port import PortChoice
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import Looks, Prose, section

_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_FORMATS = (
    ("8N1", "N1"), ("8E1", "E1"), ("8O1", "O1"), ("8N2", "N2"), ("8E2", "E2"), ("8O2", "O2"),
)  # fmt: skip


# How the kinds of links are called, and what opening one does.
_KINDS = {"port": "ports", "host": "hosts", "practice": "practice", "recording": "recorded"}
_OPENING = {
    "port": "Opens the port and only listens; the first request is sent by the step Find.",
    "host": "Connects to the host; the first request is sent by the step Find.",
    "practice": "A simulated bus: nothing can break, and simulated hands switch loads.",
    "recording": "Plays a recorded visit back; questions that were not asked then stay open.",
    "typed": "Opens what was typed; nothing is sent before the step Find.",
}


# Narrower than this, what stands in the way of a link takes the place of its title.
_ROOMY = 76


def short_name(choice: PortChoice) -> str:
    """How a link is called in the list: of a recording only the name of its file."""
    shown = words.safe(choice.argument)
    return re.split(r"[/\\\\]", shown)[-1] if choice.kind == "recording" else shown


class ChoiceList(LineList):
    """Ports first, then hosts, simulated buses and recordings."""

    DEFAULT_CSS = """
    ChoiceList { height: auto; max-height: 1fr; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.choices: list[PortChoice] = []

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.choices)

    def empty_text(self) -> str:
        """What to do without a port."""
        return " No port found: plug in the adapter and press r, or type a host below."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Argument, title, advice."""
        c, g = self.colours, self.glyphs
        choice = self.choices[index]
        first = index == 0 or self.choices[index - 1].kind != choice.kind
        line = Text.assemble(
            (f"{_KINDS[choice.kind] if first else '':<10} ", Style(color=c.dim)),
            (f"{short_name(choice):<23} ", Style(color=c.ink, bold=True)),
        )
        if not choice.advice or width >= _ROOMY:
            line.append(f"{words.safe(choice.title)}  ", Style(color=c.dim))
        if choice.advice:
            line.append(f"{g.warn} {words.safe(choice.advice)}", Style(color=c.warn))
        return [line]


class LinkPane(Looks, Vertical):
    """List of links, a field to type one, and the line settings."""

    DEFAULT_CSS = """
    LinkPane { height: 1fr; padding: 0 1; }
    LinkPane .row { height: 1; }
    LinkPane .name { width: 10; color: $bp-dim; }
    LinkPane #argument { width: 1fr; }
    LinkPane #baud { width: 22; }
    LinkPane #format { width: 14; margin-left: 2; }
    LinkPane #status { height: auto; max-height: 3; }
    LinkPane #about { height: auto; max-height: 12; margin-top: 1; }
    """

    def __init__(
        self, choices: list[PortChoice], argument: str | None, settings: LineSettings | None
    ) -> None:
        super().__init__(id="pane-link")
        self._settings = settings
        self._choices = choices
        self._argument = argument

    def compose(self) -> ComposeResult:
        """List, field, settings, state."""
        known = self._settings
        baud = known.baud if known is not None and known.baud in _RATES else 0
        form = "N1" if known is None else f"{known.parity.value}{known.stop_bits}"
        yield section(ChoiceList(id="choices"), "Links")
        with Horizontal(classes="row lead"):
            yield Static("Link", classes="name", markup=False)
            yield Input(
                value=self._argument or "", id="argument", compact=True,
                placeholder="/dev/ttyUSB0, tcp://HOST, sim:NAME",
            )  # fmt: skip
        with Horizontal(classes="row"):
            yield Static("Settings", classes="name", markup=False)
            yield Select(
                [("find them", 0), *((f"{rate} Bd", rate) for rate in _RATES)],
                value=baud, allow_blank=False, id="baud", compact=True,
            )  # fmt: skip
            yield Select(_FORMATS, value=form, allow_blank=False, id="format", compact=True)
        yield Prose(id="status")
        yield section(Prose(id="about"), "About this link")

    def on_mount(self) -> None:
        """Show the choices and the state."""
        self.set_choices(self._choices)
        self.refresh_state()

    def set_choices(self, choices: list[PortChoice]) -> None:
        """Offer these links."""
        listed = self.query_one(ChoiceList)
        listed.choices = choices
        listed.refresh_state()
        field = self.query_one("#argument", Input)
        if choices and not field.value:
            field.value = words.safe(choices[0].argument)

    def refresh_state(self) -> None:
        """Show the state of the link."""
        c, g = self.colours, self.glyphs
        state = self.state
        self.query_one("#format").display = self.query_one("#baud", Select).value != 0
        text = Text()
        if state.error is not None:
            text.append(f"{g.fail} ", Style(color=c.fail, bold=True))
            text.append(words.told(str(state.error)), Style(color=c.fail))
        elif state.endpoint is not None:
            told = words.line_settings(state)
            settings = "" if not told else f", {told}" if state.settings_sought else f" at {told}"
            text.append(f"{g.ok} open: ", Style(color=c.ok, bold=True))
            text.append(words.safe(state.endpoint.argument) + settings, Style(color=c.ink))
        elif state.opening:
            text.append(f"{g.running} opening {words.safe(state.opening)}", Style(color=c.accent))
        self.query_one("#status", Prose).show(text)
        self._show_about()
        listed = self.query_one(ChoiceList)
        rule = listed.gutter.height
        listed.styles.height = max(1, min(self._room(), listed.entry_count())) + rule
        listed.refresh_state()

    def _show_about(self) -> None:
        """Tell of the link in the field; a low window has room only for what stands in its way."""
        about = self.query_one("#about", Prose)
        told = self._about() if self._tall else self._in_the_way()
        about.show(told)
        about.display = bool(told)

    @property
    def _tall(self) -> bool:
        return self.screen.has_class("-tall")

    def _room(self) -> int:
        """Rows for the list: what the form, its state and the remarks leave."""
        if self._tall:
            return max(3, self.size.height - 16)
        blocked = self._in_the_way()
        rows = len(words.wrapped(blocked.plain, self.size.width - 2)) + 1 if blocked else 0
        return max(3, self.size.height - 5 - rows)

    def _in_the_way(self) -> Text:
        """What stands in the way of the link in the field, and what to do; nothing as a rule."""
        choice = self._choice()
        if choice is None or not choice.advice:
            return Text()
        return Text(
            f"{self.glyphs.warn} {words.safe(choice.advice)}", Style(color=self.colours.warn)
        )

    def _choice(self) -> PortChoice | None:
        """The link of the list that stands in the field."""
        wished = self._argument_wished()
        listed = self.query_one(ChoiceList).choices
        return next((one for one in listed if one.argument == wished), None)

    def _about(self) -> Text:
        """What is known of the link in the field, and what opening it does."""
        c, g = self.colours, self.glyphs
        choice = self._choice()
        text = Text()
        if choice is None:
            text.append(_OPENING["typed"], Style(color=c.ink))
            return text
        text.append(_OPENING[choice.kind], Style(color=c.ink))
        for number, (name, value) in enumerate(choice.known):
            text.append("\n" if number % 2 == 0 else "  ")
            text.append(f"{name:<17}", Style(color=c.dim))
            text.append(f"{words.safe(value):<24}", Style(color=c.ink))
        for cause, step in choice.notes:
            text.append(f"\n{g.warn} {words.safe(cause)}", Style(color=c.warn))
            text.append(f"\n  {g.right} {words.safe(step)}", Style(color=c.ink))
        return text

    def on_resize(self) -> None:
        """The list takes what room there is."""
        self.refresh_state()

    def on_input_changed(self) -> None:
        """Tell what is known of what is typed."""
        self.refresh_state()

    def on_line_list_moved(self, message: LineList.Moved) -> None:
        """Take over the marked link."""
        choices = self.query_one(ChoiceList).choices
        if message.index < len(choices):
            self.query_one("#argument", Input).value = words.safe(choices[message.index].argument)
            self.refresh_state()

    def on_select_changed(self) -> None:
        """A known rate asks for a known character format."""
        self.query_one("#format").display = self.query_one("#baud", Select).value != 0

    def _argument_wished(self) -> str:
        """What the field says; a listed link by its true name, which may not be fit to show."""
        shown = self.query_one("#argument", Input).value.strip()
        for choice in self.query_one(ChoiceList).choices:
            if words.safe(choice.argument).strip() == shown:
                return choice.argument
        return shown

    def wish(self, other_rate: float | None = None) -> tuple[str, LineSettings | None]:
        """What is to be opened, and how.

        Args:
            other_rate: A rate that goes before the one chosen here [Bd].
        """
        argument = self._argument_wished()
        baud = int(other_rate) if other_rate else self.query_one("#baud", Select).value
        if not isinstance(baud, int) or baud == 0:
            return argument, None
        form = str(self.query_one("#format", Select).value)
        return argument, LineSettings(baud, Parity(form[0]), int(form[1]))
