"""Another address or other line settings: what is written, your confirmation, how it ended."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Select, Static

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS, Parity
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.glyphs import Glyphs
from busprobe.tui.host import OnHost
from busprobe.tui.state import StepState
from busprobe.tui.theme import Colours
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

if TYPE_CHECKING:
    from busprobe.procedures.change_address import ChangePlan


_KEEP = "keep"
# Rates in common use; the device profile says which of them a device takes.
_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)


def write_plan(text: Text, plan: ChangePlan, c: Colours, g: Glyphs) -> None:
    """Every register that would be written, and what y does."""
    device = plan.device
    text.append(
        f"{g.warn} To be WRITTEN to address {device.address}\n", Style(color=c.warn, bold=True)
    )
    serial = words.safe(device.identity.serial) or "unknown"
    text.append(
        f"{words.safe(str(device.identity))}, serial number {serial} "
        f"(profile {words.safe(plan.profile)})\n",
        Style(color=c.ink, bold=True),
    )
    for line in plan.lines():
        text.append(f"\n  {words.safe(line)}", Style(color=c.ink))
    text.append("\n\n" + g.right + " y writes this and nothing else. ", Style(color=c.accent))
    asked = "both addresses are" if plan.settings == plan.new_settings else "both places are"
    text.append(f"Afterwards {asked} asked who answers.", Style(color=c.dim))


class ReaddressScreen(OnHost, Looks, ModalScreen[None]):
    """From here and from the separation of two meters anything is written to a device."""

    SCOPE = Scope.CHANGE
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.CHANGE, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    ReaddressScreen { align: center middle; background: $bp-paper 60%; }
    ReaddressScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 92%;
                             background: $bp-paper; border: round $bp-accent;
                             border-title-color: $bp-ink; border-title-style: bold; }
    ReaddressScreen #ask { height: 1; margin: 0 1; }
    ReaddressScreen #ask-line { height: 1; margin: 0 1; }
    ReaddressScreen #ask-line Select { width: 12; margin-right: 2; }
    ReaddressScreen .name { width: auto; color: $bp-dim; margin-right: 1; }
    ReaddressScreen #new-address { width: 8; }
    ReaddressScreen #prose { padding: 0 1; }
    ReaddressScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "change"

    def __init__(self, address: int) -> None:
        super().__init__()
        self.address = address
        self._waiting = False

    def compose(self) -> ComposeResult:
        """A sheet over the work screen."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "Another address, or other line settings"
            with Horizontal(id="ask"):
                yield Static(f"Address {self.address} becomes", classes="name", markup=False)
                yield Input(
                    str(self._free()), id="new-address", type="integer", compact=True, max_length=3
                )
            with Horizontal(id="ask-line"):
                yield Static("Rate", classes="name", markup=False)
                yield self._choice("new-baud", [(str(rate), str(rate)) for rate in _RATES])
                yield Static("Parity", classes="name", markup=False)
                yield self._choice("new-parity", [("none", "N"), ("even", "E"), ("odd", "O")])
                yield Static("Stop", classes="name", markup=False)
                yield self._choice("new-stop", [("1", "1"), ("2", "2")])
            with Reading(id="prose"):
                yield Prose()
            yield KeyLine(Scope.CHANGE)

    def _choice(self, name: str, values: list[tuple[str, str]]) -> Select[str]:
        """One of the line settings, kept as it is unless chosen."""
        return Select(
            [("as it is", _KEEP), *values], value=_KEEP, allow_blank=False, id=name, compact=True
        )

    def on_mount(self) -> None:
        """Forget what was planned before."""
        self.state.change = self.state.change_end = None
        self.query_one(Input).focus()
        self.refresh_state()

    def _free(self) -> int:
        """The lowest address above 1 at which nobody is known."""
        free = (a for a in range(FIRST_ADDRESS + 1, LAST_ADDRESS + 1))
        return next((a for a in free if a not in self.state.devices), LAST_ADDRESS)

    def _wished(self) -> tuple[int | None, Parity | None, int | None]:
        """Rate, parity and stop bits that were chosen; None for what is kept."""
        baud, parity, stop = (
            str(self.query_one(name, Select).value)
            for name in ("#new-baud", "#new-parity", "#new-stop")
        )
        return (
            None if baud == _KEEP else int(baud),
            None if parity == _KEEP else Parity(parity),
            None if stop == _KEEP else int(stop),
        )

    @property
    def _working(self) -> bool:
        running = self.state.steps[Step.ADDRESSES].state is StepState.RUNNING
        return running or (self._waiting and self.state.error is None)

    def on_key(self, event: events.Key) -> None:
        """What is to be read is scrolled by pages, also from a field."""
        self.query_one("#prose", Reading).turns_page(event)

    def refresh_state(self) -> None:
        """Show how far it is."""
        state = self.state
        running = state.steps[Step.ADDRESSES].state is StepState.RUNNING
        if running or state.change is not None or state.change_end is not None:
            self._waiting = False
        fixed = state.change is not None or state.change_end is not None or self._working
        self.query_one("#ask").display = not fixed
        self.query_one("#ask-line").display = not fixed and state.settings is not None
        if fixed and self.query_one(Input).has_focus:
            self.query_one("#prose").focus()
        self.query_one(Prose).show(self._text())
        self.query_one(KeyLine).refresh_state()

    def _text(self) -> Text:
        c, g = self.colours, self.glyphs
        state = self.state
        text = Text()
        ink = Style(color=c.ink)
        if state.change_end is not None:
            self._end(text)
        elif state.prompt is not None:
            text.append(
                f"{g.right} {words.safe(state.prompt.request)}\n",
                Style(color=c.ink, bold=True),
            )
            text.append("\ny when it is done.", Style(color=c.accent))
            text.append(" n leaves it; how things stand is told.", Style(color=c.dim))
        elif self._working:
            view = state.steps[Step.ADDRESSES]
            text.append(f"{g.running} ", Style(color=c.accent, bold=True))
            doing = view.progress.text if view.progress is not None else view.intent
            text.append(words.safe(doing), ink)
        elif state.change is not None:
            write_plan(text, state.change.plan, c, g)
        else:
            device = state.devices.get(self.address)
            name = "" if device is None else words.safe(str(device.identity))
            text.append(f"{name}\n\n", Style(color=c.ink, bold=True))
            text.append(
                "Enter looks first: whether a device profile says how this is changed, "
                "whether exactly one device answers here, whether the new address is free, and "
                "whether another master talks. Nothing is written before you have seen every "
                "register and pressed y.\n\n"
                "For other line settings only, empty the field of the address. Two meters at one "
                "address: close this and press g, which guides you.",
                ink,
            )
        return text

    def _end(self, text: Text) -> None:
        c, g = self.colours, self.glyphs
        end = self.state.change_end
        if end is None:
            return
        if end.result is None:
            text.append(f"{g.fail} Refused: nothing was written.\n\n",
                        Style(color=c.fail, bold=True))  # fmt: skip
            text.append(words.told(end.refusal), Style(color=c.ink))
            return
        state = end.result.state.value
        good = state == "changed"
        sign, colour = (g.ok, c.ok) if good else (g.warn, c.warn)
        text.append(f"{sign} {state.replace('-', ' ').upper()}\n", Style(color=colour, bold=True))
        text.append(f"{words.told(end.result.text)}\n", Style(color=c.ink))
        for written in end.result.written:
            write = written.write
            text.append(
                f"\n  register {write.register} := {write.value}: {words.safe(written.outcome)} "
                f"(exchange {written.exchange})",
                Style(color=c.dim),
            )

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Write only what is shown, look only before that."""
        state = self.state
        if action == "write" and state.prompt is None:
            return state.change is not None and not self._working
        if action in ("write", "refuse"):
            return state.prompt is not None
        if action == "let_hands":
            return state.prompt is not None and state.prompt.answerable
        if action == "plan":
            return state.change is None and state.change_end is None and not self._working
        return True

    def on_input_submitted(self) -> None:
        """Enter in the field."""
        self.action_plan()

    def action_plan(self) -> None:
        """Have it worked out what would be written."""
        if not self.check_action("plan", ()):
            return
        text = self.query_one(Input).value.strip()
        new = int(text) if text.isdecimal() else 0
        line = self._wished()
        if text == "" and any(line):
            new = self.address
        in_range = FIRST_ADDRESS <= new <= LAST_ADDRESS
        if not in_range or (new == self.address and not any(line)):
            self.notify(
                f"Give another address from {FIRST_ADDRESS} to {LAST_ADDRESS}, or other line "
                "settings.",
                markup=False,
            )
            return
        self._waiting = True
        self._app.session.plan_change(self.address, None if new == self.address else new, *line)
        self.refresh_state()

    def action_write(self) -> None:
        """Write what is shown, or say that it is done."""
        if self.state.prompt is not None:
            self._answer(True)
        elif self.check_action("write", ()):
            self.state.change = None
            self._waiting = True
            self._app.session.change()
            self.refresh_state()

    def _answer(self, done: bool) -> None:
        if self.state.prompt is not None:
            self.state.prompt = None
            self._app.session.answer(done)
            self.refresh_state()

    def action_refuse(self) -> None:
        """It cannot be done."""
        self._answer(False)

    def action_let_hands(self) -> None:
        """Let simulated hands do it."""
        if self.check_action("let_hands", ()):
            self.state.prompt = None
            self.state.hands_help = True
            self._app.session.let_hands()
            self.refresh_state()

    def action_back(self) -> None:
        """Close."""
        self.state.change = None
        self.dismiss()
