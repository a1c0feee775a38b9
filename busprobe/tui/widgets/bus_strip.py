"""The bus as a line, with the devices hung on it at their addresses."""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style
from textual import events
from textual.message import Message

from busprobe.model.device import Device
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_LAPTOP = "[PC]"
# Widths of a box, and of two boxes on one drop, the roomiest first.
_WIDTHS = ((23, 33), (15, 21), (11, 17), (5, 5))
_TIGHT = 5
_MARGIN = 1
# A word cut shorter than this says nothing: the sign stands alone then.
_SHORTEST_WORD = 3


@dataclass(frozen=True, slots=True)
class _Drop:
    """A place on the bus: columns `left` to `left + width - 1`."""

    device: Device
    left: int
    width: int

    @property
    def centre(self) -> int:
        return self.left + self.width // 2


class BusStrip(CanvasPanel, can_focus=False):
    """The bus line. A click on a device selects it."""

    DEFAULT_CSS = """
    BusStrip { height: 6; }
    """

    class Selected(Message):
        """A device was clicked."""

        def __init__(self, address: int) -> None:
            super().__init__()
            self.address = address

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._drops: tuple[_Drop, ...] = ()

    def draw(self, canvas: Canvas) -> None:
        """Draw line, drops and boxes."""
        c, g = self.colours, self.glyphs
        opened = self.state.is_open
        line = Style(color=c.ink if opened else c.faint)
        canvas.write(0, 0, _LAPTOP, Style(color=c.accent if opened else c.dim, bold=True))
        canvas.write(len(_LAPTOP), 0, g.bus * (canvas.width - len(_LAPTOP) - 1), line)
        self._drops, before, after = self._lay_out(canvas.width)
        if not self._drops:
            canvas.write(len(_LAPTOP) + 1, 2, self._nobody(), Style(color=c.dim))
        for drop in self._drops:
            canvas.write(drop.centre, 0, g.tap, line)
            if drop.device.duplicate == "duplicate" and drop.width > _TIGHT:
                self._two_boxes(canvas, drop, line)
            else:
                canvas.write(drop.centre, 1, g.drop, line)
                self._box(canvas, drop, drop.left, drop.width, line)
        dim = Style(color=c.dim)
        if before:
            canvas.write(0, 1, f"{g.left}{before}", dim)
        if after:
            text = f"{after}{g.right}"
            canvas.write(canvas.width - len(text), 1, text, dim)

    def on_click(self, event: events.Click) -> None:
        """Select the device under the pointer."""
        for drop in self._drops:
            if drop.left <= event.x < drop.left + drop.width:
                self.post_message(self.Selected(drop.device.address))

    def _nobody(self) -> str:
        state = self.state
        if not state.is_open:
            return "The bus is not connected yet."
        if state.running is not None:
            return "Nobody has answered so far."
        return "Nobody is known on this bus yet."

    def _lay_out(self, width: int) -> tuple[tuple[_Drop, ...], int, int]:
        """Drops in sight, and how many are out of sight before and after them."""
        state = self.state
        devices = [state.devices[address] for address in state.addresses]
        room = width - len(_LAPTOP) - 2 * _MARGIN
        for one, two in _WIDTHS:
            widths = [two if d.duplicate == "duplicate" else one for d in devices]
            if sum(widths) + len(widths) <= room:
                return _spread(devices, widths, len(_LAPTOP) + _MARGIN, room), 0, 0
        fit = max(1, room // (_TIGHT + 1))
        selected = state.addresses.index(state.selected) if state.selected in state.devices else 0
        first = min(max(0, selected - fit // 2), max(0, len(devices) - fit))
        shown = devices[first : first + fit]
        drops = _spread(shown, [_TIGHT] * len(shown), len(_LAPTOP) + _MARGIN, room)
        return drops, first, len(devices) - first - len(shown)

    def _two_boxes(self, canvas: Canvas, drop: _Drop, line: Style) -> None:
        g = self.glyphs
        half = drop.width // 2
        left, right = drop.left + half // 2, drop.left + half + 1 + half // 2
        start, tee, end = tuple(g.branch)
        horizontal = g.box[1]
        bridge = start + horizontal * (right - left - 1) + end
        canvas.write(left, 1, bridge, line)
        canvas.write(drop.centre, 1, tee, line)
        own = drop.device.identity.serial
        lefts = (drop.left, drop.left + half + 1)
        for place, (left, serial) in enumerate(zip(lefts, self._serials(drop.device), strict=True)):
            # The map that was read is one device's: of the other not even the model is known.
            named = serial == own if serial else place == 0
            self._box(canvas, drop, left, half, line, serial, named=named)

    def _serials(self, device: Device) -> tuple[str, str]:
        """What is known of the two devices of a drop: their serial numbers, else "?"."""
        own = device.identity.serial
        heard = [s for s in self.state.verdicts.get(device.address, ()) if s != own]
        found = [serial for serial in (own, *heard) if serial]
        first, second, *_ = (*found, "", "")
        return first, second

    def _box(
        self,
        canvas: Canvas,
        drop: _Drop,
        left: int,
        width: int,
        line: Style,
        serial: str | None = None,
        *,
        named: bool = True,
    ) -> None:
        """A box; `serial` is that of one of two devices, None where there is only one."""
        c, g = self.colours, self.glyphs
        device = drop.device
        selected = device.address == self.state.selected
        shown = words.device(self.state, device, g, c)
        box = g.heavy_box if selected else g.box
        edge = Style(color=c.accent, bold=True) if selected else Style(color=c.dim)
        inner = width - 2
        canvas.write(left, 2, box[0] + box[1] * inner + box[2], edge)
        canvas.write(left + width // 2, 2, g.up_heavy if selected else g.up_light, edge)
        bottom = canvas.height - 1
        canvas.write(left, bottom, box[4] + box[1] * inner + box[5], edge)
        for row in range(3, bottom):
            canvas.write(left, row, box[3], edge)
            canvas.write(left + width - 1, row, box[3], edge)
        state_style = Style(color=shown.colour, bold=True)
        address = Style(color=c.ink, bold=True)
        if width <= _TIGHT:
            canvas.write(left + 1, 3, f"{device.address:>{inner}}", address)
            mark = shown.sign + ("x2" if device.duplicate == "duplicate" else "")
            canvas.write(left + 1, 4, mark.center(inner), state_style)
            return
        number = str(device.address)
        canvas.write(left + 1, 3, number, address)
        room = inner - len(number) - 3
        word = shown.word if len(shown.word) <= room else shown.word.split()[0]
        word = words.cut(word, room, g) if room >= _SHORTEST_WORD else ""
        state_text = f"{shown.sign} {word}".rstrip()
        canvas.write(left + 2 + len(number), 3, state_text, state_style)
        name = words.safe(str(device.identity))
        if cell_len(name) > inner and device.identity.model:
            name = words.safe(device.identity.model)
        if not named:
            name = f"{g.unknown} model"
        number = words.safe(device.identity.serial if serial is None else serial)
        # Of two numbers from one works the last digits tell them apart.
        number = _tail(number, inner, g.ellipsis)
        rows = [(name, c.ink), (number or self._power(device), c.dim)]
        if serial is not None:
            told = number or f"{g.unknown} serial"
            rows = [(told, c.ink)] if bottom == 5 else [(name, c.ink), (told, c.ink)]
        for row, (text, colour) in zip(range(4, bottom), rows, strict=False):
            canvas.write(left + 1, row, words.cut(text, inner, g), Style(color=colour))

    def _power(self, device: Device) -> str:
        """What the device gives or draws now, as its register says."""
        latest = self.state.latest(device.address)
        power = None if latest is None else latest.quantities.get("P")
        return "" if power is None else f"{words.number(power, 0, self.glyphs)} W"


def _tail(text: str, width: int, ellipsis: str) -> str:
    """The end of a text that is too long."""
    while cell_len(text) > width and text:
        text = ellipsis + text.removeprefix(ellipsis)[1:]
    return text


def _spread(devices: list[Device], widths: list[int], left: int, room: int) -> tuple[_Drop, ...]:
    """Place drops evenly over the room."""
    if not devices:
        return ()
    gap = (room - sum(widths)) / (len(devices) + 1)
    gap = min(gap, 16.0)
    drops, x = [], left + gap
    for device, width in zip(devices, widths, strict=True):
        drops.append(_Drop(device, int(x), width))
        x += width + gap
    return tuple(drops)
