"""The addresses step: one device or two, at each known address."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical

from busprobe.model.device import Device
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.widgets.exchange_view import ExchangeView
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import Looks, section
from busprobe.tui.widgets.step_card import StepCard


class AddressList(LineList):
    """A verdict for each address, with what it rests on."""

    def entry_count(self) -> int:
        """Known addresses."""
        return len(self.state.devices)

    def entry_rows(self) -> int:
        """Verdict, and the reason."""
        return 2

    def empty_text(self) -> str:
        """Nobody to check."""
        return "No device is known yet."

    def device_at(self, index: int) -> Device:
        """The device in this place."""
        return self.state.devices[self.state.addresses[index]]

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Address, verdict, name; below it the counts or the finding."""
        c, g, state = self.colours, self.glyphs, self.state
        device = self.device_at(index)
        shown = words.duplicate(device.duplicate, g, c)
        if device.duplicate == "undecided" and device.address not in state.verdicts:
            shown = words.Shown(g.idle, "not tested", c.dim)
        asked, answered = state.counts.get(device.address, (0, 0))
        first = Text.assemble(
            (f"{device.address:>4}  ", Style(color=c.accent, bold=True)),
            (f"{shown.sign} {shown.word:<12} ", Style(color=shown.colour, bold=True)),
            (words.safe(str(device.identity)), Style(color=c.ink)),
        )
        if device.identity.serial:
            first.append(f"  serial {words.safe(device.identity.serial)}", Style(color=c.dim))
        heard = state.verdicts.get(device.address, ())
        others = [serial for serial in heard if serial != device.identity.serial]
        if others:
            listed = ", ".join(map(words.safe, others))
            first.append(f"  and {listed}", Style(color=c.fail, bold=True))
        reason = f"asked {words.times(asked)}, answered {words.times(answered)}"
        about = [f for f in state.findings_at(device.address) if "duplicate" in f.code]
        if about and about[0].evidence:
            reason = words.safe(about[0].evidence[0].text)
        return [first, Text(f"      {reason}", Style(color=c.dim))]


class AddressPane(Looks, Vertical):
    """Card and list."""

    DEFAULT_CSS = """
    AddressPane { height: 1fr; padding: 0 1; }
    AddressPane #collision { display: none; height: 13; padding: 0; }
    """

    def __init__(self) -> None:
        super().__init__(id="pane-addresses")

    def compose(self) -> ComposeResult:
        """Card and list."""
        yield StepCard(Step.ADDRESSES)
        yield section(AddressList(id="address-list"), "Each address")
        yield section(ExchangeView(id="collision"), "Who spoke when")

    def on_mount(self) -> None:
        """Show the state."""
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the verdicts as they are now."""
        self.query_one(StepCard).refresh_state()
        listed = self.query_one(AddressList)
        if self.state.selected in self.state.devices:
            listed.set_reactive(LineList.cursor, self.state.addresses.index(self.state.selected))
        listed.refresh_state()
        self._show_evidence()

    def _show_evidence(self) -> None:
        """Draw the exchange that the verdict on the selected address rests on, else the newest."""
        state = self.state
        address = state.selected
        picture = self.query_one(ExchangeView)
        about = [] if address is None else state.findings_at(address)
        cited = (e.exchange for f in about if "duplicate" in f.code for e in f.evidence)
        exchange = next((x for n in cited if n and (x := state.exchange(n))), None)
        if exchange is None:
            exchange = state.newest.get(address or 0)
        picture.show(exchange)
        picture.set_class(exchange is None, "-empty")
