"""One exchange in full: a picture of who spoke when, and every byte with its meaning."""

from __future__ import annotations

from rich.style import Style

from busprobe.model.chunk import Direction
from busprobe.model.exchange import Exchange, Unframed
from busprobe.tui import frame_words, words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_LABEL = 8


class ExchangeView(CanvasPanel):
    """The marked exchange."""

    DEFAULT_CSS = """
    ExchangeView { height: 10; border-top: solid $bp-faint; padding: 0 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.exchange: Exchange | None = None

    def show(self, exchange: Exchange | None) -> None:
        """Show this exchange."""
        self.exchange = exchange
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw lanes, then pieces."""
        exchange = self.exchange
        if exchange is None:
            return
        self._lanes(canvas, exchange)
        c, g = self.colours, self.glyphs
        row = 3
        request = exchange.request
        pieces: list[tuple[str, str, str, bytes, str]] = [
            ("PC", f"{g.right} {request.address}", frame_words.request_words(request), request.raw,
             c.accent),
        ]  # fmt: skip
        if exchange.echo:
            pieces.append(("echo", "", "our own request came back", b"", c.dim))
        for piece in exchange.pieces:
            if isinstance(piece, Unframed):
                words_, raw, colour = frame_words.stray_words(piece), piece.data, c.fail
                who = "?"
            else:
                words_, raw = frame_words.answer_words(piece), piece.raw
                who = str(piece.address)
                own = piece.address == request.address
                colour = words.outcome(exchange.outcome, g, c).colour if own else c.fail
            pieces.append((who, f"{g.right} PC", words_, raw, colour))
        if not exchange.pieces:
            pieces.append(("", "", frame_words.heard_words(exchange), b"", c.dim))
        for who, to, meaning, raw, colour in pieces:
            row = self._piece(canvas, row, f"{who:>4} {to}", meaning, raw, colour)

    def _piece(
        self, canvas: Canvas, row: int, who: str, meaning: str, raw: bytes, colour: str
    ) -> int:
        c = self.colours
        canvas.write(0, row, who, Style(color=colour, bold=True))
        for line in words.wrapped(words.safe(meaning), canvas.width - 12):
            canvas.write(12, row, line, Style(color=c.ink))
            row += 1
        for line in words.wrapped(frame_words.hex_words(raw), canvas.width - 12) if raw else ():
            canvas.write(12, row, line, Style(color=c.dim))
            row += 1
        return row

    def _lanes(self, canvas: Canvas, exchange: Exchange) -> None:
        """The laptop in the upper lane, the devices in the lower one, to scale."""
        c, g = self.colours, self.glyphs
        start = exchange.request.t_start_ns
        settings = self.state.settings
        character_ns = 0 if settings is None else settings.character_ns
        ends = [exchange.request.t_end_ns]
        spans: list[tuple[int, int, bool, bool]] = [(start, exchange.request.t_end_ns, True, False)]
        for piece in exchange.pieces:
            if isinstance(piece, Unframed):
                # Known is when it had arrived; it took as long as so many characters take.
                begin = max(ends[-1], piece.t_ns - len(piece.data) * character_ns)
                spans.append((begin, piece.t_ns, False, True))
                ends.append(piece.t_ns)
            else:
                spans.append((piece.t_start_ns, piece.t_end_ns, False, False))
                ends.append(piece.t_end_ns)
        total = max(1, max(ends) - start)
        width = canvas.width - _LABEL - 10
        canvas.write(0, 0, f"{'PC':>6}", Style(color=c.accent, bold=True))
        canvas.write(0, 1, "device", Style(color=c.ink, bold=True))
        for lane in (0, 1):
            canvas.write(_LABEL, lane, g.idle * max(0, width), Style(color=c.faint))
        shown = words.outcome(exchange.outcome, g, c)
        for begin, end, ours, stray in spans:
            left = _LABEL + (begin - start) * width // total
            right = max(left + 1, _LABEL + (end - start) * width // total)
            colour = c.accent if ours else c.fail if stray else shown.colour
            sign = g.lane_up if ours else g.lane_down
            canvas.write(
                left, 0 if ours else 1, sign * min(right - left, width), Style(color=colour)
            )
        canvas.write(canvas.width - 9, 0, f"{total / 1e6:6.1f} ms", Style(color=c.dim))
        gap = exchange.turnaround_ns
        if gap is not None:
            note = f"answer began {gap / 1e6:.1f} ms after the request"
            doubt = exchange.turnaround_uncertainty_ns
            note += f", perhaps {doubt / 1e6:.1f} ms earlier" if doubt else ""
            canvas.write(_LABEL, 2, note, Style(color=c.dim))
        received = sum(len(x.data) for x in exchange.chunks if x.direction is Direction.RECEIVED)
        count = f"{received} bytes"
        canvas.write(canvas.width - len(count), 1, count, Style(color=c.dim))
