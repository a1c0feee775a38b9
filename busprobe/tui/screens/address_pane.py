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
from busprobe.tui.widgets.uneven_list import UnevenList

_INDENT = 6
_FEWEST_ROWS = 2


class AddressList(UnevenList):
    """A verdict for each address, with what it rests on; where there is room nothing is cut off."""

    def entry_count(self) -> int:
        """Known addresses."""
        return len(self.state.devices)

    def entry_rows(self) -> int:
        """Verdict, and the reason: what an entry takes at least."""
        return _FEWEST_ROWS

    def refresh_state(self) -> None:
        """Give each entry the rows its texts need, where all still fit."""
        width, height = self.scrollable_content_region.size
        entries = range(self.entry_count())
        rows = [len(self._whole(index, width)) for index in entries] if width else []
        self.lay_out(rows if sum(rows) <= height else ())
        super().refresh_state()

    def empty_text(self) -> str:
        """Nobody to check."""
        return "No device is known yet."

    def device_at(self, index: int) -> Device:
        """The device in this place."""
        return self.state.devices[self.state.addresses[index]]

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Address, verdict, name; below it the counts or the finding."""
        if self.uneven:
            return self._whole(index, width)
        device = self.device_at(index)
        first, serials = self._head(device), self._serials(device)
        if serials:
            first.append("  ").append_text(serials)
        return [first, self._below(self._reason(device))]

    def _whole(self, index: int, width: int) -> list[Text]:
        """All of it, in as many rows as it takes."""
        device = self.device_at(index)
        first, serials = self._head(device), self._serials(device)
        lines = [first]
        if first.cell_len + serials.cell_len + 2 > width:
            lines.append(Text.assemble(" " * _INDENT, serials))
        elif serials:
            first.append("  ").append_text(serials)
        reason = words.wrapped(self._reason(device), width - _INDENT)
        return lines + [self._below(row) for row in reason]

    def _below(self, text: str) -> Text:
        return Text(f"{'':{_INDENT}}{text}", Style(color=self.colours.dim))

    def _head(self, device: Device) -> Text:
        """Address, verdict, name."""
        c, g = self.colours, self.glyphs
        shown = words.duplicate(device.duplicate, g, c)
        if device.duplicate == "undecided" and device.address not in self.state.verdicts:
            shown = words.Shown(g.idle, "not tested", c.dim)
        return Text.assemble(
            (f"{device.address:>4}  ", Style(color=c.accent, bold=True)),
            (f"{shown.sign} {shown.word:<12} ", Style(color=shown.colour, bold=True)),
            (words.safe(str(device.identity)), Style(color=c.ink)),
        )

    def _serials(self, device: Device) -> Text:
        """The serial number it gave, and those that others gave at its address."""
        c = self.colours
        text = Text()
        if device.identity.serial:
            text.append(f"serial {words.safe(device.identity.serial)}", Style(color=c.dim))
        heard = self.state.verdicts.get(device.address, ())
        others = [serial for serial in heard if serial != device.identity.serial]
        if others:
            listed = ", ".join(map(words.safe, others))
            lead = "  and" if text else "serials"
            text.append(f"{lead} {listed}", Style(color=c.fail, bold=True))
        return text

    def _reason(self, device: Device) -> str:
        """What the verdict rests on, or how often it was asked."""
        about = [f for f in self.state.findings_at(device.address) if "duplicate" in f.code]
        if about and about[0].evidence:
            return words.safe(about[0].evidence[0].text)
        asked, answered = self.state.counts.get(device.address, (0, 0))
        return f"asked {words.times(asked)}, answered {words.times(answered)}"


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
