"""Two meters at one address: guided apart, one wire at a time."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import OnHost
from busprobe.tui.screens.readdress import write_plan
from busprobe.tui.state import StepState
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

_STAGES = (
    ("shared", "who shares the address"),
    ("one-left", "one meter left on the bus"),
    ("changed", "its new address"),
    ("separated", "both seen, each alone"),
)


class SeparateScreen(OnHost, Looks, ModalScreen[None]):
    """Asks for hands, shows what the bus says, and has the one write confirmed."""

    SCOPE = Scope.SEPARATE
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.SEPARATE, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    SeparateScreen { align: center middle; background: $bp-paper 60%; }
    SeparateScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 96%;
                            background: $bp-paper; border: round $bp-accent;
                            border-title-color: $bp-ink; border-title-style: bold; }
    SeparateScreen #ask { height: 1; margin: 0 1; }
    SeparateScreen .name { width: auto; color: $bp-dim; margin-right: 1; }
    SeparateScreen #new-address { width: 1fr; }
    SeparateScreen #prose { padding: 0 1; }
    SeparateScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "separate"

    def __init__(self, address: int) -> None:
        super().__init__()
        self.address = address
        self._begun = False

    def compose(self) -> ComposeResult:
        """A sheet over the work screen."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = f"Two meters at address {self.address}"
            with Horizontal(id="ask"):
                yield Static("One of them becomes address", classes="name", markup=False)
                default = "the lowest free one" if self._app.plan_file is None else (
                    "as planned, else the lowest free one"
                )  # fmt: skip
                yield Input(
                    id="new-address", type="integer", compact=True, max_length=3,
                    placeholder=default,
                )  # fmt: skip
            with Reading(id="prose"):
                yield Prose()
            yield KeyLine(Scope.SEPARATE)

    def on_mount(self) -> None:
        """Forget what was seen before."""
        state = self.state
        state.change = state.change_end = state.separation_end = None
        state.separation.clear()
        self.query_one(Input).focus()
        self.refresh_state()

    @property
    def _ended(self) -> bool:
        """Whether it has come to an end, good or bad."""
        state = self.state
        view = state.steps[Step.ADDRESSES]
        failed = view.state in (StepState.FAILED, StepState.STOPPED)
        return self._begun and (
            state.separation_end is not None or state.error is not None or failed
        )

    @property
    def _working(self) -> bool:
        return self._begun and not self._ended

    def on_key(self, event: events.Key) -> None:
        """What is to be read is scrolled by pages, also from a field."""
        self.query_one("#prose", Reading).turns_page(event)

    def refresh_state(self) -> None:
        """Show how far it is."""
        self.query_one("#ask").display = not self._begun
        if self._begun and self.query_one(Input).has_focus:
            self.query_one("#prose").focus()
        self.query_one(Prose).show(self._text())
        self.query_one(KeyLine).refresh_state()

    def _text(self) -> Text:
        c = self.colours
        text = Text()
        if not self._begun:
            return self._before(text)
        self._stages(text)
        state = self.state
        ink = Style(color=c.ink)
        if self._ended:
            self._end(text)
        elif state.change is not None:
            self._seen(text, 1)
            text.append("\n")
            write_plan(text, state.change.plan, c, self.glyphs)
        elif state.prompt is not None:
            self._seen(text, 1)
            text.append(
                f"\n\n{self.glyphs.right} {words.safe(state.prompt.request)}\n",
                Style(color=c.ink, bold=True),
            )
            text.append("\ny when it is done.", Style(color=c.accent))
            text.append(" n or x ends it here and says how things stand.", Style(color=c.dim))
        else:
            self._seen(text, 3)
            view = state.steps[Step.ADDRESSES]
            doing = view.progress.text if view.progress is not None else view.intent
            text.append(f"\n\n{self.glyphs.running} ", Style(color=c.accent, bold=True))
            text.append(words.safe(doing), ink)
        return text

    def _before(self, text: Text) -> Text:
        c, state = self.colours, self.state
        serials = state.verdicts.get(self.address, ())
        if serials:
            listed = " and ".join(map(words.safe, serials))
            text.append(f"Heard here: {listed}\n\n", Style(color=c.ink, bold=True))
        text.append(
            "Enter looks who shares this address. You disconnect one meter, the bus shows that "
            "exactly one is left, its address is changed after you have seen every register and "
            "pressed y, you connect the other one again, and both are asked.\n\n",
            Style(color=c.ink),
        )
        text.append(
            f"{self.glyphs.warn} Bus terminals often sit beside mains terminals. Isolate and prove "
            "dead before opening the cabinet; work there is for licensed electricians, by the "
            "local code.",
            Style(color=c.warn),
        )
        return text

    def _stages(self, text: Text) -> None:
        """Done, under way, still to come: each with a sign and a word."""
        c, g = self.colours, self.glyphs
        end = self.state.separation_end
        seen = self.state.separation
        names = [name for name, _ in _STAGES]
        reached = 0
        if end is not None:
            reached = names.index(end.result.stage.value)
        elif seen:
            reached = names.index(seen[-1].stage.value)
        whole = end is not None and end.result.stage.value == "separated"
        # What the stage is reached means that everything before it, and it, was seen.
        for number, (_, title) in enumerate(_STAGES):
            known = bool(seen) or end is not None
            if (number <= reached and known and number) or (number == 0 and known) or whole:
                sign, colour, word = g.ok, c.ok, "seen"
            elif number == reached + (1 if known else 0) and not self._ended:
                sign, colour, word = g.running, c.accent, "now"
            else:
                sign, colour, word = g.note, c.dim, "to come"
            text.append(f"{sign} {word:<8}", Style(color=colour, bold=True))
            text.append(f"{title}\n", Style(color=c.ink))

    def _seen(self, text: Text, most: int) -> None:
        """The last things that were seen."""
        for seen in self.state.separation[-most:]:
            text.append(f"\n{words.safe(seen.text)}", Style(color=self.colours.dim))

    def _end(self, text: Text) -> None:
        c, g = self.colours, self.glyphs
        end = self.state.separation_end
        if end is None:
            told = self.state.steps[Step.ADDRESSES].summary
            text.append(f"\n{g.fail} {words.safe(told)}", Style(color=c.fail, bold=True))
            return
        good = end.result.stage.value == "separated"
        sign, colour, word = (
            (g.ok, c.ok, "SEPARATED") if good else (g.warn, c.warn, "NOT SEPARATED")
        )
        text.append(f"\n{sign} {word}\n", Style(color=colour, bold=True))
        text.append(words.safe(end.result.text), Style(color=c.ink))
        if not good:
            return
        for meter in end.result.meters:
            what = "changed now" if meter.changed else "as it was"
            text.append(f"\n\nLabel ({what})", Style(color=c.dim))
            for line in meter.label.splitlines():
                text.append(f"\n  {words.safe(line)}", Style(color=c.ink, bold=True))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Answers where something is asked, Begin before it has begun."""
        state = self.state
        asked = self._working and (state.prompt is not None or state.change is not None)
        match action:
            case "begin":
                return not self._begun and state.is_open and state.running is None
            case "yes" | "no":
                return asked
            case "let_hands":
                return asked and state.prompt is not None and state.prompt.answerable
            case "stop":
                return self._working
            case _:
                return True

    def on_input_submitted(self) -> None:
        """Enter in the field."""
        self.action_begin()

    def action_begin(self) -> None:
        """Look who shares the address."""
        if self.check_action("begin", ()):
            text = self.query_one(Input).value.strip()
            new = int(text) if text.isdecimal() else None
            fits = new is None or FIRST_ADDRESS <= new <= LAST_ADDRESS
            if (text and new is None) or not fits or new == self.address:
                self.notify(
                    f"Give another address from {FIRST_ADDRESS} to {LAST_ADDRESS}, or none.",
                    markup=False,
                )
                return
            self._begun = True
            # The step is not there yet, and an earlier end of it is not this one's.
            self.state.steps[Step.ADDRESSES].state = StepState.RUNNING
            self._app.session.separate(self.address, new, self._app.plan_file)
            self.refresh_state()

    def action_yes(self) -> None:
        """It is done, or: write this."""
        self._answer(True)

    def action_no(self) -> None:
        """It cannot be done, or: do not write."""
        self._answer(False)

    def _answer(self, yes: bool) -> None:
        if not self.check_action("yes", ()):
            return
        if self.state.change is not None:
            self.state.change = None
            self._app.session.confirm(yes)
        else:
            self.state.prompt = None
            self._app.session.answer(yes)
        self.refresh_state()

    def action_let_hands(self) -> None:
        """Let simulated hands do it, now and from now on."""
        if self.check_action("let_hands", ()):
            self.state.prompt = None
            self.state.hands_help = True
            self._app.session.let_hands()
            self.refresh_state()

    def action_stop(self) -> None:
        """Stop; how things stand is told."""
        if self._working:
            self._app.session.stop()

    def action_back(self) -> None:
        """Stop what is under way; close when it has ended."""
        if self._working:
            self.action_stop()
            return
        self.state.change = None
        self.dismiss()
