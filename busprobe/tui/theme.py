"""Own colours: four themes, and the meaning of their colours in one place.

The colours of meaning are from the palette of Okabe and Ito ("Color Universal Design", 2008), which
stays distinct for colour-blind eyes: sky blue is well, yellow is a warning, vermillion is a fault.
The light themes use darker shades of the same hues, so that text keeps a contrast of 4.5:1 (WCAG
2.2, success criterion 1.4.3); the high-contrast themes keep 7:1 (1.4.6). Colour never stands alone:
a sign and a word go with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from textual.theme import Theme


@dataclass(frozen=True, slots=True)
class Colours:
    """Colours by meaning, as "#rrggbb"."""

    ok: str
    warn: str
    fail: str
    note: str
    l1: str
    l2: str
    l3: str
    ink: str
    dim: str
    faint: str
    accent: str
    paper: str
    raised: str
    mark: str

    def phase(self, phase: str) -> str:
        """The colour of "L1", "L2" or "L3"; plain ink for anything else."""
        return {"L1": self.l1, "L2": self.l2, "L3": self.l3}.get(phase, self.ink)


DARK = Colours(
    ok="#56b4e9", warn="#f0e442", fail="#ff7a3d", note="#a9b4bd",
    l1="#e69f00", l2="#56b4e9", l3="#d99bc4",
    ink="#d8dee4", dim="#8f9ba6", faint="#46525c", accent="#7fd1c1",
    paper="#11171c", raised="#19222a", mark="#1d353e",
)  # fmt: skip
LIGHT = Colours(
    ok="#005f9e", warn="#725c00", fail="#b13c00", note="#4c5963",
    l1="#8f5a00", l2="#0069a8", l3="#8e3c74",
    ink="#1c252c", dim="#54616b", faint="#b4bec6", accent="#00695c",
    paper="#fbfaf6", raised="#eeece4", mark="#d6e9e5",
)  # fmt: skip
CONTRAST_DARK = Colours(
    ok="#6fd0ff", warn="#ffff00", fail="#ffa273", note="#ffffff",
    l1="#ffb000", l2="#6fd0ff", l3="#ff9fe0",
    ink="#ffffff", dim="#e0e0e0", faint="#9a9a9a", accent="#00ffd5",
    paper="#000000", raised="#1e1e1e", mark="#002f4a",
)  # fmt: skip
CONTRAST_LIGHT = Colours(
    ok="#003f73", warn="#4d3d00", fail="#8a1f00", note="#000000",
    l1="#663d00", l2="#003f73", l3="#66004d",
    ink="#000000", dim="#1f1f1f", faint="#5a5a5a", accent="#004d40",
    paper="#ffffff", raised="#e4e4e4", mark="#ffe680",
)  # fmt: skip

THEMES: Mapping[str, Colours] = {
    "busprobe-dark": DARK,
    "busprobe-light": LIGHT,
    "busprobe-contrast-dark": CONTRAST_DARK,
    "busprobe-contrast-light": CONTRAST_LIGHT,
}
DEFAULT_THEME = "busprobe-dark"


def textual_themes() -> list[Theme]:
    """The themes as Textual registers them."""
    return [_textual(name, colours) for name, colours in THEMES.items()]


def _textual(name: str, c: Colours) -> Theme:
    return Theme(
        name=name,
        primary=c.accent,
        secondary=c.dim,
        accent=c.accent,
        warning=c.warn,
        error=c.fail,
        success=c.ok,
        foreground=c.ink,
        background=c.paper,
        surface=c.paper,
        panel=c.raised,
        dark=not name.endswith("light"),
        text_alpha=1.0,
        variables=variables(c)
        | {
            "block-cursor-background": c.mark,
            "block-cursor-foreground": c.ink,
            "block-cursor-blurred-background": c.raised,
            "block-cursor-blurred-foreground": c.ink,
            "border": c.accent,
            "border-blurred": c.faint,
            "input-cursor-background": c.ink,
            "input-cursor-foreground": c.paper,
            "input-selection-background": c.accent,
            "input-selection-foreground": c.paper,
            "scrollbar": c.faint,
            "scrollbar-hover": c.dim,
            "scrollbar-active": c.accent,
            "scrollbar-background": c.paper,
            "scrollbar-background-hover": c.paper,
            "scrollbar-background-active": c.paper,
            "scrollbar-corner-color": c.paper,
        },
    )


def variables(c: Colours) -> dict[str, str]:
    """The colours of meaning as style sheet variables: $bp-ok, $bp-l1, ..."""
    return {f"bp-{name}": getattr(c, name) for name in Colours.__dataclass_fields__}


class _HasTheme(Protocol):
    @property
    def theme(self) -> str: ...


def colours_of(app: _HasTheme) -> Colours:
    """The colours that go with the theme in use; a foreign theme gets the default ones."""
    return THEMES.get(app.theme, DARK)
