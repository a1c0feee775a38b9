"""The list of exchanges: who spoke when, and what it means."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from busprobe.model.exchange import Exchange, Outcome
from busprobe.tui import frame_words, words
from busprobe.tui.widgets.line_list import LineList

_BYTES_COLUMN = 100
_TROUBLE = frozenset(Outcome) - {Outcome.ANSWERED, Outcome.SILENT}


class FrameList(LineList):
    """Two rows an exchange: what was asked, and what was heard.

    Without a filter nothing is copied or searched: the cost does not grow with the number of
    exchanges.
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.only_address: int | None = None
        self.only_trouble = False
        # Places since the beginning of the visit: they stay right when old exchanges go.
        self._filtered: list[int] = []
        self._seen = 0

    @property
    def is_filtered(self) -> bool:
        """Whether some exchanges are left out."""
        return self.only_trouble or self.only_address is not None

    def set_filter(self, address: int | None, trouble: bool) -> None:
        """Show only one address, or only what went wrong, or both."""
        self.only_address, self.only_trouble = address, trouble
        self._filtered, self._seen = [], 0
        self.cursor = 0
        self.refresh_state()

    def entry_count(self) -> int:
        """Exchanges that pass the filter."""
        return len(self._filtered) if self.is_filtered else len(self.state.exchanges)

    def entry_rows(self) -> int:
        """Question and answer."""
        return 2

    def empty_text(self) -> str:
        """Why the list is empty."""
        if self.is_filtered:
            return " No exchange passes the filter."
        return " Nothing was sent yet."

    def exchange_at(self, index: int) -> Exchange | None:
        """The exchange in this place."""
        if not 0 <= index < self.entry_count():
            return None
        exchanges = self.state.exchanges
        place = self._filtered[index] - exchanges.dropped if self.is_filtered else index
        return exchanges[place]

    def show_exchange(self, number: int) -> bool:
        """Move to the exchange with this number; False when it is no longer kept."""
        place = None if self.is_filtered else self.state.exchanges.numbered(number)
        if place is not None:
            self.follow = False
            self.cursor = place
        return place is not None

    def refresh_state(self) -> None:
        """Take in new exchanges."""
        if self.is_filtered:
            exchanges = self.state.exchanges
            dropped = exchanges.dropped
            outcomes = _TROUBLE if self.only_trouble else None
            start = max(0, self._seen - dropped)
            passing = exchanges.passing(self.only_address, outcomes, start)
            self._filtered += [place + dropped for place in passing]
            self._seen = dropped + len(exchanges)
            if self._filtered and self._filtered[0] < dropped:
                self._filtered = [place for place in self._filtered if place >= dropped]
        super().refresh_state()

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Both rows of an exchange."""
        exchange = self.exchange_at(index)
        if exchange is None:
            return []
        c, g = self.colours, self.glyphs
        shown = words.outcome(exchange.outcome, g, c)
        request = exchange.request
        # The clock of a link may count from the start of the computer: nobody wants to read that.
        since_ns = request.t_start_ns - (self.state.exchanges.began_ns or 0)
        dim, ink = Style(color=c.dim), Style(color=c.ink)
        with_bytes = width >= _BYTES_COLUMN
        meaning = max(20, (width - 27) * 55 // 100) if with_bytes else width
        asked = Text.assemble(
            (f"{exchange.number:>6} ", dim),
            (f"{words.clock(since_ns / 1e9):>10} ", dim),
            (f"PC {g.right} {request.address:<4}", Style(color=c.accent)),
            (frame_words.request_words(request), ink),
        )
        turnaround = exchange.turnaround_ns
        wait = "" if turnaround is None else f"+{turnaround / 1e6:.1f} ms"
        back = f"{request.address:>2} {g.right} PC " if exchange.pieces else "        "
        heard = Text.assemble(
            (f"{shown.sign:>6} ", Style(color=shown.colour, bold=True)),
            (f"{wait:>10} ", dim),
            (f"{back:<9}", Style(color=shown.colour)),
            (f"{shown.word}: " if exchange.outcome is not Outcome.ANSWERED else "",
             Style(color=shown.colour, bold=True)),
            (frame_words.heard_words(exchange), ink),
        )  # fmt: skip
        if with_bytes:
            room = max(8, (width - meaning - 34) // 3)
            for line, data in ((asked, request.raw), (heard, exchange.heard)):
                line.truncate(meaning + 27, overflow="ellipsis", pad=True)
                line.append("  " + frame_words.hex_words(data, room), dim)
        return [asked, heard]
