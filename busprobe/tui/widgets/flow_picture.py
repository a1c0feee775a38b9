"""Where the power of the site flows: sources on one side, consumers on the other."""

from __future__ import annotations

from dataclasses import dataclass

from rich.style import Style

from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_NAMES = {"grid": "grid", "generator": "generator", "hybrid": "inverter", "battery": "battery",
          "load": "consumer"}  # fmt: skip
_REST_W = 5.0


@dataclass(frozen=True, slots=True)
class Flow:
    """One branch of the site.

    Attributes:
        name: What it is.
        power_w: What it gives to the site [W]; negative where it draws; None where that is open.
        shown_w: What its meter shows, where that is told by registers alone [W].
        wrong: What is wrong with its meter, or "".
        consumer: Whether it stands on the consumers' side.
    """

    name: str
    power_w: float | None
    shown_w: float | None
    wrong: str
    consumer: bool


class FlowPicture(CanvasPanel):
    """The house in the middle; arrows show which way the power goes."""

    DEFAULT_CSS = """
    FlowPicture { height: auto; min-height: 5; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.roles: dict[int, str] = {}

    def flows(self) -> list[Flow]:
        """Every branch, by the verdict where there is one, else as the registers show it."""
        balance = self.state.balance
        if balance is None:
            return self._as_shown()
        found = []
        for meter in balance.meters:
            address = self.state.balance_addresses.get(meter.name)
            wrong = "reversed" if meter.sign.value == "reversed" else ""
            if meter.ratio is not None and abs(meter.ratio - 1) > 0.15:
                wrong = f"{wrong} shows x{meter.ratio:.2f}".strip()
            role = meter.role.value
            name = _NAMES.get(role, role) + ("" if address is None else f" {address}")
            found.append(Flow(name, meter.true_w, meter.mean_w, wrong, role == "load"))
        if balance.residual_w is not None:
            found.append(Flow("rest of house", -balance.residual_w, None, "", True))
        return found

    def _as_shown(self) -> list[Flow]:
        found = []
        for address, role in self.roles.items():
            latest = self.state.latest(address)
            if role and latest is not None and (power := latest.quantities.get("P")) is not None:
                name = f"{_NAMES.get(role, role)} {address}"
                found.append(Flow(name, None, power, "", role == "load"))
        return found

    def rows_wished(self) -> int:
        """Two rows for each branch on the fuller side, the edges and the foot."""
        flows = self.flows()
        consumers = sum(f.consumer for f in flows)
        return 2 * max(consumers, len(flows) - consumers, 1) + 2

    def draw(self, canvas: Canvas) -> None:
        """Draw sources, house and consumers."""
        c, g = self.colours, self.glyphs
        flows = self.flows()
        if not flows:
            dim = Style(color=c.dim)
            canvas.write(0, 0, "The flow of power is drawn here once the meters were read.", dim)
            return
        left = [f for f in flows if not f.consumer]
        right = [f for f in flows if f.consumer]
        rows = max(len(left), len(right), 1)
        pitch = 2 if 2 * rows + 1 <= canvas.height - 1 else 1
        height = pitch * rows + (1 if pitch == 2 else 2)
        box = max(9, canvas.width // 8)
        x = (canvas.width - box) // 2
        edge = Style(color=c.ink)
        canvas.write(x, 0, g.box[0] + g.box[1] * (box - 2) + g.box[2], edge)
        for row in range(1, height - 1):
            canvas.write(x, row, g.box[3], edge)
            canvas.write(x + box - 1, row, g.box[3], edge)
        canvas.write(x, height - 1, g.box[4] + g.box[1] * (box - 2) + g.box[5], edge)
        canvas.write(x + (box - 4) // 2, (height - 1) // 2, "site", Style(color=c.ink, bold=True))
        for number, flow in enumerate(left):
            self._branch(canvas, 1 + number * pitch, flow, 0, x, roomy=pitch == 2)
        for number, flow in enumerate(right):
            self._branch(canvas, 1 + number * pitch, flow, x + box, canvas.width, roomy=pitch == 2)
        self._foot(canvas, height)

    def _branch(
        self, canvas: Canvas, row: int, flow: Flow, start: int, end: int, *, roomy: bool
    ) -> None:
        """One branch between two columns; the house is at the end, for a consumer at the start.

        Args:
            canvas: What to draw on.
            row: Where the branch stands.
            flow: What flows.
            start: First column.
            end: Column behind the last.
            roomy: Whether the row below is free.
        """
        c, g = self.colours, self.glyphs
        known = flow.power_w is not None
        value = flow.power_w if flow.power_w is not None else flow.shown_w or 0.0
        into_site = value > 0
        colour = c.fail if flow.wrong else c.ink if known else c.dim
        number = words.number(abs(value) if known else value, 0, g) + " W"
        label = f"{flow.name}"
        mark = f"{g.fail} {flow.wrong}" if flow.wrong else ""
        name_width = min(18, max(14, (end - start) // 3))
        if flow.consumer:
            canvas.write(end - name_width, row, f" {label}"[:name_width], Style(color=colour))
            line, width = start, end - name_width - start
            arrow = g.right if not into_site else g.left
        else:
            canvas.write(start, row, f"{label:>{name_width - 1}}", Style(color=colour, bold=True))
            line, width = start + name_width, end - start - name_width
            arrow = g.right if into_site else g.left
        text = f" {number} {mark} " if mark else f" {number} "
        if mark and len(text) + 4 > width:
            # What is wrong goes below the line; where rows are short, its sign has to do.
            text = f" {number} " if roomy else f" {number} {g.fail} "
            if roomy:
                below = line + width - 1 - len(mark) if not flow.consumer else line + 1
                canvas.write(below, row + 1, mark, Style(color=colour))
        canvas.write(line, row, g.bus * max(0, width), Style(color=c.faint))
        canvas.write(line + max(0, (width - len(text)) // 2), row, text, Style(color=colour))
        sign = arrow if known and abs(value) > _REST_W else g.unknown if not known else g.idle
        edge = 1 if len(text) + 4 <= width else 0
        for at in (line + edge, line + width - 1 - edge):
            canvas.write(at, row, sign, Style(color=colour, bold=True))

    def _foot(self, canvas: Canvas, row: int) -> None:
        c, g = self.colours, self.glyphs
        balance = self.state.balance
        if balance is None:
            text = "As the registers show it: which way it flows is not proven yet."
        elif any(m.true_w is None for m in balance.meters):
            text = f"Mean power. {g.unknown} = direction not proven: the number is the register's."
        else:
            text = "Mean power by the verdict; arrows show which way it flows."
        canvas.write(0, row, text, Style(color=c.dim))
