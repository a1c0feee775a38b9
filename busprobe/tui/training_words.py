"""Training in words and signs: levels, states, marks, times, causes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.style import Style
from rich.text import Text

from busprobe.session.training_causes import CAUSES, Statement
from busprobe.tui import words
from busprobe.tui.words import Shown

if TYPE_CHECKING:
    from busprobe.session.training_room import Card, Given
    from busprobe.tui.glyphs import Glyphs
    from busprobe.tui.theme import Colours

MOST_LEVEL = 5
_PASSED = 60.0


def level(value: int, glyphs: Glyphs) -> str:
    """A level as five marks."""
    return glyphs.stopped * value + glyphs.idle * (MOST_LEVEL - value)


def bar(filled: int, width: int, glyphs: Glyphs) -> str:
    """A bar that is filled so far."""
    return glyphs.bar[0] * filled + glyphs.bar[1] * (width - filled)


def state(card: Card, glyphs: Glyphs, colours: Colours) -> Shown:
    """How far an exercise is."""
    if card.open_seed is not None:
        return Shown(glyphs.running, "begun", colours.accent)
    if card.best is None:
        return Shown(glyphs.idle, "new", colours.dim)
    return score(card.best, "", glyphs, colours)


def score(points: float, word: str, glyphs: Glyphs, colours: Colours) -> Shown:
    """Marks: points and a word."""
    good = points >= _PASSED
    text = f"{points:.0f} {word}".rstrip()
    return Shown(glyphs.ok if good else glyphs.warn, text, colours.ok if good else colours.warn)


def verdict(value: str, glyphs: Glyphs, colours: Colours) -> Shown:
    """What was made of a true cause."""
    return {
        "found": Shown(glyphs.ok, "found", colours.ok),
        "partly": Shown(glyphs.warn, "partly", colours.warn),
        "missed": Shown(glyphs.fail, "missed", colours.fail),
    }[value]


def minutes(seconds: float) -> str:
    """A time as minutes and seconds."""
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02}"


def cause(code: str) -> str:
    """A cause in a few words; one that is not in the list by its code."""
    known = CAUSES.get(code)
    return words.safe(code) if known is None else known.words


def place(address: int | None, inputs: tuple[str, ...] = ()) -> str:
    """Where a cause is."""
    where = "whole line" if address is None else f"address {address}"
    return f"{where}, {'+'.join(inputs)}" if inputs else where


def statement(one: Statement) -> str:
    """A statement in words."""
    return f"{cause(one.code)}, {place(one.address, one.inputs)}"


def claim(one: Any) -> str:
    """A claim of an answer in words (`busprobe_sim.training.Claim`)."""
    each = (f"{cause(c.code)}, {place(c.address, tuple(sorted(c.inputs)))}" for c in one.choices)
    return " or ".join(each)


def quoted(text: str, width: int, bar: str, colours: Colours) -> Text:
    """A complaint, with a bar beside it."""
    shown = Text()
    for row in words.wrapped(words.safe(text), width - 4):
        shown.append(f" {bar} ", Style(color=colours.accent))
        shown.append(f"{row}\n", Style(color=colours.ink, italic=True))
    return shown


def papers(given: Given, width: int, colours: Colours) -> Text:
    """The papers as a table of so many columns; long remarks go on below their beginning."""
    dim = Style(color=colours.dim)
    text = Text(
        f"The papers ({words.safe(given.settings)})\n", Style(color=colours.accent, bold=True)
    )
    longest = max(len(words.safe(p.name)) for p in given.papers)
    for paper in given.papers:
        text.append(f"{paper.address:>5}  ", Style(color=colours.accent, bold=True))
        text.append(f"{words.safe(paper.name):<{longest}}  ", Style(color=colours.ink))
        remarks = [] if paper.meter else ["no wiring to prove"]
        if paper.role:
            remarks.insert(0, f"measures the {ROLES[paper.role]}")
        if paper.socket:
            remarks.append(f"heater at {words.safe(paper.socket)}")
        if paper.note:
            remarks.append(words.safe(paper.note))
        lead = longest + 9
        first, *others = words.wrapped("; ".join(remarks), width - lead)
        text.append(first + "\n", dim)
        for row in others:
            text.append(f"{'':{lead}}{row}\n", dim)
    return text


ROLES = {
    "grid": "feed-in point",
    "generator": "generator",
    "hybrid": "hybrid inverter",
    "battery": "battery",
    "load": "consumer",
}
