"""Another address for a device: what will be written, your confirmation, and how it ended."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.state import StepState
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose

if TYPE_CHECKING:
    from busprobe.procedures.change_address import ChangePlan
    from busprobe.tui.app import BusprobeApp


class ReaddressScreen(Looks, ModalScreen[None]):
    """The only screen from which anything is written to a device."""

    SCOPE = Scope.CHANGE
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.CHANGE, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    ReaddressScreen { align: center middle; background: $bp-paper 60%; }
    ReaddressScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 92%;
                             background: $bp-paper; border: round $bp-accent;
                             border-title-color: $bp-ink; border-title-style: bold; }
    ReaddressScreen #ask { height: 1; margin: 0 1; }
    ReaddressScreen .name { width: auto; color: $bp-dim; margin-right: 1; }
    ReaddressScreen #new-address { width: 8; }
    ReaddressScreen #prose { height: auto; padding: 0 1; }
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
            sheet.border_title = "Another address"
            with Horizontal(id="ask"):
                yield Static(f"Address {self.address} becomes", classes="name", markup=False)
                yield Input(
                    str(self._free()), id="new-address", type="integer", compact=True, max_length=3
                )
            with VerticalScroll(id="prose"):
                yield Prose()
            yield KeyLine(Scope.CHANGE)

    def on_mount(self) -> None:
        """Forget what was planned before."""
        self.state.change = self.state.change_end = None
        self.query_one(Input).focus()
        self.refresh_state()

    def _free(self) -> int:
        """The lowest address above 1 at which nobody is known."""
        free = (a for a in range(FIRST_ADDRESS + 1, LAST_ADDRESS + 1))
        return next((a for a in free if a not in self.state.devices), LAST_ADDRESS)

    @property
    def _working(self) -> bool:
        running = self.state.steps[Step.ADDRESSES].state is StepState.RUNNING
        return running or (self._waiting and self.state.error is None)

    def refresh_state(self) -> None:
        """Show how far it is."""
        state = self.state
        running = state.steps[Step.ADDRESSES].state is StepState.RUNNING
        if running or state.change is not None or state.change_end is not None:
            self._waiting = False
        fixed = state.change is not None or state.change_end is not None or self._working
        self.query_one("#ask").display = not fixed
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
        elif self._working:
            view = state.steps[Step.ADDRESSES]
            text.append(f"{g.running} ", Style(color=c.accent, bold=True))
            doing = view.progress.text if view.progress is not None else view.intent
            text.append(words.safe(doing), ink)
        elif state.change is not None:
            self._plan(text, state.change.plan)
        else:
            device = state.devices.get(self.address)
            name = "" if device is None else words.safe(str(device.identity))
            text.append(f"{name}\n\n", Style(color=c.ink, bold=True))
            text.append(
                "Enter looks first: whether a device profile says how the address is changed, "
                "whether exactly one device answers here, whether the new address is free, and "
                "whether another master talks. Nothing is written before you have seen every "
                "register and pressed y.\n\n"
                "Two new meters at one address: disconnect the bus wires of one of them, change "
                "the other, connect it again.",
                ink,
            )
        return text

    def _plan(self, text: Text, plan: ChangePlan) -> None:
        c, g = self.colours, self.glyphs
        device = plan.device
        text.append(
            f"{g.warn} To be WRITTEN to address {device.address}\n",
            Style(color=c.warn, bold=True),
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
        text.append("Afterwards both addresses are asked who answers.", Style(color=c.dim))

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
        if action == "write":
            return state.change is not None and not self._working
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
        if not FIRST_ADDRESS <= new <= LAST_ADDRESS or new == self.address:
            self.notify(
                f"Give another address from {FIRST_ADDRESS} to {LAST_ADDRESS}.", markup=False
            )
            return
        self._waiting = True
        cast("BusprobeApp", self.app).session.plan_change(self.address, new)
        self.refresh_state()

    def action_write(self) -> None:
        """Write what is shown."""
        if self.check_action("write", ()):
            self.state.change = None
            self._waiting = True
            cast("BusprobeApp", self.app).session.change()
            self.refresh_state()

    def action_back(self) -> None:
        """Close."""
        self.state.change = None
        self.dismiss()
