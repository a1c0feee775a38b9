"""Pasted bytes, explained."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.widgets import Input

from busprobe.model.errors import InputError
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.screens.sheet import Sheet

# More than the longest RTU frame twice over is better read by the command for files.
_MOST_BYTES = 4_096
# Bytes in hexadecimal with spaces take three characters each; some logs put more between them.
_LARGEST_FILE = 64_000


def _of_file(entered: str) -> str:
    """What a file of that name holds, "" where there is none.

    Raises:
        InputError: It cannot be read, or is too large for a screen.
    """
    try:
        path = Path(entered).expanduser()
        if not path.is_file():
            return ""
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError(
                f"{path} is too large for the screen.", "Cut out the part that matters."
            )
        return path.read_text(encoding="utf-8", errors="replace")
    except (OSError, ValueError, RuntimeError):
        return ""  # Bytes can make odd names.


class BytesScreen(Sheet):
    """A field for bytes in hexadecimal, and what they say."""

    SCOPE = Scope.BYTES
    SHEET_TITLE = "Explain bytes"
    FIRST = "#hex"
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.BYTES, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    BytesScreen #hex { margin: 0 1 1 1; width: 1fr; }
    """

    help_topic = "bytes"

    def __init__(self, given: bytes = b"") -> None:
        super().__init__()
        self._given = given.hex(" ").upper()

    def head(self) -> ComposeResult:
        """The field."""
        yield Input(
            self._given, id="hex", compact=True, select_on_focus=False,
            placeholder="bytes as 01 03 00 00 00 02 C4 0B, or a file that holds them",
        )  # fmt: skip

    def text(self) -> Text:
        """Each frame and each run of other bytes, in order."""
        c, g = self.colours, self.glyphs
        from busprobe.wire.explain import explain, parse_hex

        ink, dim = Style(color=c.ink), Style(color=c.dim)
        entered = self.query_one("#hex", Input).value.strip()
        if not entered:
            return Text("Paste bytes that another program logged; nothing is sent.", dim)
        try:
            data = parse_hex(_of_file(entered) or entered)
        except InputError as error:
            return Text(f"{g.warn} {words.told(str(error))}", Style(color=c.warn))
        told = explain(data[:_MOST_BYTES])
        rows: list[tuple[int, str, str, str, str]] = [
            (f.offset, f.role, f"address {f.address}: {f.text}",
             data[f.offset : f.offset + f.length].hex(" ").upper(), c.accent)
            for f in told.frames
        ]  # fmt: skip
        rows += [(j.offset, "no frame", j.meaning, j.hex, c.fail) for j in told.junk]
        text = Text()
        for offset, what, meaning, raw, colour in sorted(rows):
            lead = Text(f"{offset:>5}  ", dim)
            lead.append(f"{what:<10}", Style(color=colour, bold=True))
            self.hang(text, lead, words.safe(meaning), ink)
            self.hang(text, Text(" " * len(lead.plain)), raw, dim)
        return text

    def on_input_changed(self) -> None:
        """Explain while typing."""
        self.refresh_state()
