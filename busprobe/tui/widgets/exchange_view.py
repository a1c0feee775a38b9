"""One exchange in full: a picture of who spoke when, and every byte with its meaning."""

from __future__ import annotations

from rich.cells import cell_len
from rich.style import Style

from busprobe.model.chunk import Direction
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.tui import frame_words, words
from busprobe.tui.lanes import Lane, Speaker, lanes
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_INDENT = 12
_MARGIN = 10
# Bytes and meanings of a piece are told whole up to this many rows each.
_MOST_ROWS = 3


class ExchangeView(CanvasPanel):
    """The marked exchange."""

    DEFAULT_CSS = """
    ExchangeView { height: 10; border-top: solid $bp-faint; padding: 0 1; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.exchange: Exchange | None = None

    def show(self, exchange: Exchange | None) -> None:
        """Show this exchange."""
        self.exchange = exchange
        self.refresh_state()

    def spoken(self) -> list[Lane]:
        """Who spoke when, as far as the evidence tells."""
        exchange, state = self.exchange, self.state
        if exchange is None:
            return []
        settings = state.settings
        address = exchange.request.address
        device = state.devices.get(address)
        own = () if device is None or not device.identity.serial else (device.identity.serial,)
        heard = state.verdicts.get(address, ())
        return lanes(
            exchange,
            0 if settings is None else settings.character_ns,
            shared=device is not None and device.duplicate == "duplicate",
            serials=tuple(dict.fromkeys((*own, *heard))),
        )

    def draw(self, canvas: Canvas) -> None:
        """Draw lanes, then pieces."""
        exchange = self.exchange
        if exchange is None:
            return
        row = self._lanes(canvas, exchange)
        c, g = self.colours, self.glyphs
        request = exchange.request
        row = self._frame(canvas, row, request, f"{'PC':>4} {g.right} {request.address}", c.accent)
        if exchange.echo:
            row = self._words(canvas, row, "echo", "our own request came back", c.dim)
        for piece in exchange.pieces:
            if isinstance(piece, Unframed):
                row = self._words(
                    canvas, row, f"   {g.unknown} {g.right} PC", frame_words.stray_words(piece),
                    c.fail,
                )  # fmt: skip
                row = self._bytes(canvas, row, [(piece.data, "")])
            else:
                own = piece.address == request.address
                colour = words.outcome(exchange.outcome, g, c).colour if own else c.fail
                who = f"{piece.address:>4} {g.right} PC"
                row = self._frame(canvas, row, piece, who, colour, asked=False)
        if not exchange.pieces:
            self._words(canvas, row, "", frame_words.heard_words(exchange), c.dim)

    def _frame(
        self,
        canvas: Canvas,
        row: int,
        frame: Frame,
        who: str,
        colour: str,
        *,
        asked: bool = True,
    ) -> int:
        """A frame: who to whom and what it says, below it the bytes with their meaning."""
        meaning = frame_words.request_words(frame) if asked else frame_words.answer_words(frame)
        row = self._words(canvas, row, who, meaning, colour)
        return self._bytes(canvas, row, frame_words.fields(frame, asked=asked))

    def _words(self, canvas: Canvas, row: int, who: str, meaning: str, colour: str) -> int:
        canvas.write(0, row, who, Style(color=colour, bold=True))
        for line in words.wrapped(words.safe(meaning), canvas.width - _INDENT)[:_MOST_ROWS]:
            canvas.write(_INDENT, row, line, Style(color=self.colours.ink))
            row += 1
        return row

    def _bytes(self, canvas: Canvas, row: int, fields: list[tuple[bytes, str]]) -> int:
        """Runs of bytes, each with its meaning behind it, as many to a row as fit."""
        c, g = self.colours, self.glyphs
        x, last = _INDENT, row + _MOST_ROWS
        for data, meaning in fields:
            told = words.safe(meaning)
            room = canvas.width - _INDENT - cell_len(told) - 3
            fit = max(1, (room + 1) // 3)
            shown = data[: fit - 1] if len(data) > fit else data
            text = frame_words.hex_words(shown) + (g.ellipsis if len(data) > fit else "")
            width = cell_len(text) + (cell_len(told) + 1 if told else 0)
            if x > _INDENT and x + width > canvas.width:
                x, row = _INDENT, row + 1
            if row >= last:
                break
            canvas.write(x, row, text, Style(color=c.ink))
            if told:
                canvas.write(x + cell_len(text) + 1, row, told, Style(color=c.dim))
            x += width + 2
        return row + 1

    def _lanes(self, canvas: Canvas, exchange: Exchange) -> int:
        """A lane for each speaker, to scale; returns the row below."""
        c, g = self.colours, self.glyphs
        spoken = self.spoken()
        start = exchange.request.t_start_ns
        total = max(1, max(span.end_ns for lane in spoken for span in lane.spans) - start)
        names = [words.safe(lane.name) for lane in spoken]
        label = max(cell_len(name) for name in names) + 2
        width = max(1, canvas.width - label - _MARGIN)
        shown = words.outcome(exchange.outcome, g, c)
        colours = {
            Speaker.LAPTOP: c.accent, Speaker.DEVICE: shown.colour, Speaker.STRANGER: c.fail,
            Speaker.UNKNOWN: c.fail,
        }  # fmt: skip
        for row, (lane, name) in enumerate(zip(spoken, names, strict=True)):
            colour = colours[lane.speaker]
            canvas.write(label - 2 - cell_len(name), row, name, Style(color=colour, bold=True))
            canvas.write(label, row, g.idle * width, Style(color=c.faint))
            sign = g.lane_up if lane.speaker is Speaker.LAPTOP else g.lane_down
            if lane.speaker is Speaker.UNKNOWN:
                sign = g.bar[0]
            for span in lane.spans:
                left = label + (span.start_ns - start) * width // total
                right = max(left + 1, label + (span.end_ns - start) * width // total)
                canvas.write(left, row, sign * min(right - left, width), Style(color=colour))
        canvas.write(canvas.width - 9, 0, f"{total / 1e6:6.1f} ms", Style(color=c.dim))
        received = sum(len(x.data) for x in exchange.chunks if x.direction is Direction.RECEIVED)
        count = f"{received} bytes"
        canvas.write(canvas.width - len(count), 1, count, Style(color=c.dim))
        row = len(spoken)
        gap = exchange.turnaround_ns
        if gap is not None:
            note = f"answer began {gap / 1e6:.1f} ms after the request"
            doubt = exchange.turnaround_uncertainty_ns
            note += f", perhaps {doubt / 1e6:.1f} ms earlier" if doubt else ""
            canvas.write(label, row, note, Style(color=c.dim))
            row += 1
        return row
