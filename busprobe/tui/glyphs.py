"""Three sets of signs: for terminals with braille, with half blocks, and with plain ASCII.

Consoles without braille and without font fallback still have code page 437: the middle set uses
nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class GlyphMode(StrEnum):
    """How fine the pictures are drawn."""

    BRAILLE = "braille"
    HALF = "half"
    ASCII = "ascii"


# Code page 437, with the glyphs of its control characters.
CODE_PAGE_437 = frozenset(
    bytes(range(0x20, 0x100)).decode("cp437").replace("\x7f", "⌂")
    + "☺☻♥♦♣♠•◘○◙♂♀♪♫☼►◄↕‼¶§▬↨↑↓→←∟↔▲▼"
)

# What plain ASCII writes for signs that occur in texts.
_PLAIN = {
    "−": "-", "–": "-", "—": "-", "…": "~", "·": ".", "•": "*", "°": " deg", "←": "left",
    "→": "right", "×": "x", "±": "+/-", "“": '"', "”": '"', "’": "'", "Σ": "sum",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Glyphs:
    """One set of signs.

    Attributes:
        box: Top left, horizontal, top right, vertical, bottom left, bottom right.
        heavy_box: The same for the selected device.
        up_light, up_heavy: Where a drop meets the top edge of a box.
        bus, tap: The bus line, and the bus where a drop leaves it.
        bar: A filled and an empty cell of a bar.
    """

    mode: GlyphMode
    ok: str
    warn: str
    fail: str
    note: str
    running: str
    idle: str
    absent: str
    stopped: str
    unknown: str
    box: str
    heavy_box: str
    up_light: str
    up_heavy: str
    branch: str
    bus: str
    tap: str
    drop: str
    bar: str
    right: str
    left: str
    ellipsis: str
    dash: str
    degree: str
    sum: str
    dotted: str
    lane_up: str
    lane_down: str
    silent: str
    minus: str

    def plain(self, text: str) -> str:
        """Text in the characters that this set stands for; letters stay where they can."""
        if self.mode is GlyphMode.BRAILLE or text.isascii():
            return text
        if self.mode is GlyphMode.HALF:
            return "".join(c if c in CODE_PAGE_437 else _PLAIN.get(c, c) for c in text)
        return "".join(_PLAIN.get(c, c if c.isascii() else "?") for c in text)


_BRAILLE = Glyphs(
    mode=GlyphMode.BRAILLE,
    ok="✔", warn="▲", fail="✘", note="•", running="▶", idle="·", absent="–", stopped="■",
    unknown="?",
    box="┌─┐│└┘", heavy_box="┏━┓┃┗┛", up_light="┴", up_heavy="┻", branch="┌┴┐", bus="━", tap="┯",
    drop="│", bar="█░", right="→", left="←", ellipsis="…", dash="–", degree="°", sum="Σ",
    dotted="┊", lane_up="▀", lane_down="▄", silent="–", minus="−",
)  # fmt: skip
_HALF = Glyphs(
    mode=GlyphMode.HALF,
    ok="√", warn="▲", fail="x", note="•", running="►", idle="·", absent="-", stopped="■",
    unknown="?",
    box="┌─┐│└┘", heavy_box="╔═╗║╚╝", up_light="┴", up_heavy="╩", branch="┌┴┐", bus="═", tap="╤",
    drop="│", bar="█░", right="→", left="←", ellipsis="~", dash="-", degree="°", sum="Σ",
    dotted="│", lane_up="▀", lane_down="▄", silent="-", minus="-",
)  # fmt: skip
_ASCII = Glyphs(
    mode=GlyphMode.ASCII,
    ok="+", warn="!", fail="x", note="i", running=">", idle=".", absent="-", stopped="#",
    unknown="?",
    box="+-+|++", heavy_box="#=#H##", up_light="+", up_heavy="#", branch="+++", bus="=", tap="+",
    drop="|", bar="#.", right=">", left="<", ellipsis="~", dash="-", degree="", sum="all",
    dotted=":", lane_up="^", lane_down="v", silent="-", minus="-",
)  # fmt: skip

GLYPHS = {glyphs.mode: glyphs for glyphs in (_BRAILLE, _HALF, _ASCII)}


def choose_glyphs(
    wish: str, environment: Mapping[str, str], *, windows: bool, encoding: str = "utf-8"
) -> Glyphs:
    """Pick the signs this terminal can show.

    Args:
        wish: "auto", "braille", "half" or "ascii".
        environment: The environment variables.
        windows: Whether this is a Windows console.
        encoding: Encoding of the terminal.
    """
    if wish != "auto":
        return GLYPHS[GlyphMode(wish)]
    if "utf" not in encoding.lower():
        return GLYPHS[GlyphMode.ASCII]
    # Windows Terminal sets WT_SESSION and brings a font with braille; the Linux text console has
    # 512 glyphs and none of them braille. Common practice, no source.
    plain_console = windows and not environment.get("WT_SESSION")
    if plain_console or environment.get("TERM") == "linux":
        return GLYPHS[GlyphMode.HALF]
    return GLYPHS[GlyphMode.BRAILLE]
