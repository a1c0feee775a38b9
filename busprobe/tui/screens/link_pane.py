"""The link step: choose a port, a host or a simulated bus, and open it."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Select, Static

from busprobe.model.line import LineSettings, Parity
from busprobe.tui import words
from busprobe.tui.session_port import PortChoice
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import Looks, Prose

_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_FORMATS = (("8N1", "N1"), ("8E1", "E1"), ("8O1", "O1"), ("8N2", "N2"))


class ChoiceList(LineList):
    """Ports first, then simulated buses."""

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
        line = Text.assemble(
            (f" {words.safe(choice.argument):<22} ", Style(color=c.ink, bold=True)),
            (words.safe(choice.title), Style(color=c.dim)),
        )
        if choice.advice:
            line.append(f"  {g.warn} {words.safe(choice.advice)}", Style(color=c.warn))
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
        yield ChoiceList(id="choices")
        with Horizontal(classes="row"):
            yield Static("Link", classes="name", markup=False)
            yield Input(
                value=self._argument or "", id="argument", compact=True, select_on_focus=False,
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
            text.append(words.safe(str(state.error)), Style(color=c.fail))
        elif state.endpoint is not None:
            settings = f" at {state.settings}" if state.settings else ""
            text.append(f"{g.ok} open: ", Style(color=c.ok, bold=True))
            text.append(words.safe(state.endpoint.argument) + settings, Style(color=c.ink))
        elif state.opening:
            text.append(f"{g.running} opening {words.safe(state.opening)}", Style(color=c.accent))
        self.query_one("#status", Prose).show(text)
        self.query_one(ChoiceList).refresh_state()

    def on_line_list_moved(self, message: LineList.Moved) -> None:
        """Take over the marked link."""
        choices = self.query_one(ChoiceList).choices
        if message.index < len(choices):
            self.query_one("#argument", Input).value = words.safe(choices[message.index].argument)

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

    def wish(self) -> tuple[str, LineSettings | None]:
        """What is to be opened, and how."""
        argument = self._argument_wished()
        baud = self.query_one("#baud", Select).value
        if not isinstance(baud, int) or baud == 0:
            return argument, None
        form = str(self.query_one("#format", Select).value)
        return argument, LineSettings(baud, Parity(form[0]), int(form[1]))
