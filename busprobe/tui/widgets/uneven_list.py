"""A short list whose entries take as many rows as their texts need."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate

from busprobe.tui.widgets.line_list import LineList


class UnevenList(LineList):
    """Entries of different heights, where `lay_out` was told of them; else all are alike.

    Each entry is measured before the list is drawn: for lists of some entries, not of thousands.
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        # Where each entry begins, and behind the last one the end; empty where all are alike.
        self._starts: list[int] = []

    @property
    def uneven(self) -> bool:
        """Whether each entry has rows of its own."""
        return bool(self._starts)

    def lay_out(self, rows: Sequence[int]) -> None:
        """Give each entry so many rows; none at all makes them alike again."""
        self._starts = [0, *accumulate(rows)] if rows else []

    def row_of(self, index: int) -> int:
        """Where an entry begins."""
        if not self._starts:
            return super().row_of(index)
        return self._starts[min(index, len(self._starts) - 1)]

    def index_at(self, row: int) -> int:
        """The entry that a row belongs to."""
        return bisect_right(self._starts, row) - 1 if self._starts else super().index_at(row)
