"""The selected device: who it is, its live values, phasors, trend and registers."""

from __future__ import annotations

from enum import StrEnum

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical

from busprobe.model.reading import ReadingState
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.live_table import LiveTable
from busprobe.tui.widgets.panel import CanvasPanel, section
from busprobe.tui.widgets.phasor import PhasorPicture
from busprobe.tui.widgets.trend import TrendPicture


class View(StrEnum):
    """What is shown of a device."""

    PHASORS = "phasors"
    TREND = "trend"
    REGISTERS = "registers"


class DeviceHead(CanvasPanel):
    """One line: who this is."""

    DEFAULT_CSS = """
    DeviceHead { height: 1; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw address, identity, serial number, turn-around."""
        c, g = self.colours, self.glyphs
        state = self.state
        device = state.devices.get(state.selected or -1)
        if device is None:
            canvas.write(0, 0, "No device selected.", Style(color=c.dim))
            return
        shown = words.device(state, device, g, c)
        line = Text.assemble(
            (f"{device.address} ", Style(color=c.accent, bold=True)),
            (f"{shown.sign} ", Style(color=shown.colour, bold=True)),
            (words.safe(str(device.identity)), Style(color=c.ink, bold=True)),
        )
        rest = []
        if device.identity.serial:
            rest.append(f"serial {words.safe(device.identity.serial)}")
        if device.turnaround.median_ms is not None:
            rest.append(f"answers in {device.turnaround.median_ms:.0f} ms")
        if device.profile or device.sunspec:
            rest.append(words.safe(device.profile or "SunSpec"))
        if device.identity.version:
            rest.append(f"version {words.safe(device.identity.version)}")
        for part in rest:
            line.append(f"  {part}", Style(color=c.dim))
        if state.selected in state.watched:
            live = f"{g.running} live"
            canvas.write(canvas.width - len(live), 0, live, Style(color=c.accent, bold=True))
            line.truncate(canvas.width - len(live) - 1, overflow="ellipsis")
        else:
            line.truncate(canvas.width, overflow="ellipsis")
        canvas.write_text(0, 0, line)


class RegisterList(LineList):
    """Every point of the device's register map."""

    def entry_count(self) -> int:
        """How many points were read."""
        return len(self.state.readings.get(self.state.selected or -1, ()))

    def empty_text(self) -> str:
        """Nothing read."""
        return "No registers read yet."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Name, value, unit, raw registers, doubt."""
        c, g = self.colours, self.glyphs
        reading = self.state.readings[self.state.selected or -1][index]
        value = "" if reading.value is None else words.safe(str(reading.value))
        if reading.state is ReadingState.NOT_IMPLEMENTED:
            value = "not implemented"
        raw = " ".join(f"{register:04X}" for register in reading.raw[:4])
        line = Text.assemble(
            (f"{words.safe(reading.name):<16} ", Style(color=c.ink, bold=True)),
            (f"{value:>16} {words.safe(reading.unit):<5} ", Style(color=c.ink)),
            (f"{raw}{g.ellipsis if len(reading.raw) > 4 else ''}  ", Style(color=c.dim)),
        )
        if reading.state is ReadingState.SUSPECT:
            line.append(f"{g.warn} {words.safe(reading.note)}", Style(color=c.warn))
        return [line]


class DevicePanel(Vertical):
    """All of it; a wide window shows phasors and trend together."""

    DEFAULT_CSS = """
    DevicePanel { height: 1fr; }
    DevicePanel #values { height: 1fr; }
    DevicePanel LiveTable { width: 34; height: 1fr; margin-right: 1; }
    DevicePanel TrendPicture { display: none; }
    DevicePanel RegisterList { display: none; }
    DevicePanel.-trend #values { display: none; }
    DevicePanel.-trend TrendPicture { display: block; }
    DevicePanel.-registers #values { display: none; }
    DevicePanel.-registers RegisterList { display: block; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.shown = View.PHASORS

    def compose(self) -> ComposeResult:
        """Head, then values beside phasors, trend, registers."""
        yield DeviceHead()
        with section(Horizontal(id="values"), "Live values"):
            yield LiveTable()
            yield PhasorPicture()
        yield section(TrendPicture(), "Power")
        yield section(RegisterList(), "Registers")

    def next_view(self) -> View:
        """Change to the next view."""
        views = tuple(View)
        self.shown = views[(views.index(self.shown) + 1) % len(views)]
        for view in views:
            self.set_class(view is self.shown, f"-{view}")
        if self.shown is View.REGISTERS:
            self.query_one(RegisterList).focus()
        self.refresh_state()
        return self.shown

    def refresh_state(self) -> None:
        """Show the state of the device."""
        for panel in self.query(CanvasPanel):
            panel.refresh_state()
        self.query_one(RegisterList).refresh_state()
