"""States and values in words and signs, the same on every screen."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from busprobe.model.device import Device
from busprobe.model.device_text import visible
from busprobe.model.exchange import Outcome
from busprobe.model.finding import Severity
from busprobe.session.events import Step
from busprobe.tui.glyphs import Glyphs
from busprobe.tui.screen_words import screen_words
from busprobe.tui.state import JobState, StepState, StepView
from busprobe.tui.theme import Colours

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import WiringVerdict
    from busprobe.model.check import Check, CheckOutcome
    from busprobe.model.finding import Evidence

# The longest sentence of a finding has some 600 characters before names are filled in.
LONGEST_PROSE = 4000


@dataclass(frozen=True, slots=True)
class Shown:
    """A state ready to be shown: sign, word and colour, never colour alone."""

    sign: str
    word: str
    colour: str

    def __str__(self) -> str:
        return f"{self.sign} {self.word}"


STEP_TITLES = {
    Step.LINK: "Link",
    Step.FIND: "Find",
    Step.ADDRESSES: "Addresses",
    Step.LINE: "Line",
    Step.WIRING: "Wiring",
    Step.ENERGY: "Energy",
    Step.HANDOVER: "Handover",
    Step.BENCH: "Bench",
}


def safe(text: str) -> str:
    """Text from anywhere, made harmless for a terminal.

    What a device says was cut to its longest length where it came in; a sentence of ours may quote
    several such texts and must not lose its end.
    """
    return visible(text, LONGEST_PROSE)


def told(text: str) -> str:
    """Text of the core, made harmless, with keys of the screens in place of commands."""
    return safe(screen_words(text))


def severity(value: Severity, glyphs: Glyphs, colours: Colours) -> Shown:
    """A finding's severity."""
    return {
        Severity.FAULT: Shown(glyphs.fail, "fault", colours.fail),
        Severity.WARNING: Shown(glyphs.warn, "warning", colours.warn),
        Severity.NOTE: Shown(glyphs.note, "note", colours.note),
    }[value]


def outcome(value: Outcome, glyphs: Glyphs, colours: Colours) -> Shown:
    """What came of a request."""
    return {
        Outcome.ANSWERED: Shown(glyphs.ok, "answered", colours.ok),
        Outcome.EXCEPTION: Shown(glyphs.warn, "exception", colours.warn),
        Outcome.SILENT: Shown(glyphs.silent, "silent", colours.dim),
        Outcome.DAMAGED: Shown(glyphs.fail, "damaged", colours.fail),
        Outcome.CROWDED: Shown(glyphs.fail, "crowded", colours.fail),
        Outcome.MISADDRESSED: Shown(glyphs.fail, "misaddressed", colours.fail),
        Outcome.LATE: Shown(glyphs.warn, "late", colours.warn),
    }[value]


def device(state: JobState, known: Device, glyphs: Glyphs, colours: Colours) -> Shown:
    """The state of a device on the bus line."""
    if known.duplicate == "duplicate":
        return Shown(glyphs.fail, "two here", colours.fail)
    worst = state.findings_at(known.address)
    if worst and worst[0].severity is not Severity.NOTE:
        return severity(worst[0].severity, glyphs, colours)
    last = state.outcomes.get(known.address)
    # A refusal is an answer, and what most devices give to the short question of the search.
    if last in (None, Outcome.ANSWERED, Outcome.EXCEPTION):
        return Shown(glyphs.ok, "answers", colours.ok)
    return outcome(last, glyphs, colours)


def verdict(value: WiringVerdict, glyphs: Glyphs, colours: Colours) -> Shown:
    """A wiring verdict."""
    return _judgement(value.value, glyphs, colours)


def _judgement(word: str, glyphs: Glyphs, colours: Colours) -> Shown:
    sign, colour = {
        "correct": (glyphs.ok, colours.ok),
        "fault": (glyphs.fail, colours.fail),
        "ambiguous": (glyphs.warn, colours.warn),
        "inconsistent": (glyphs.warn, colours.warn),
    }.get(word, (glyphs.unknown, colours.dim))
    return Shown(sign, word, colour)


def balance(value: str, glyphs: Glyphs, colours: Colours) -> Shown:
    """A verdict on the whole site."""
    return _judgement(value, glyphs, colours)


def check(value: CheckOutcome, glyphs: Glyphs, colours: Colours) -> Shown:
    """What came of a check of plan against found."""
    word = value.value
    sign, colour = {
        "PASS": (glyphs.ok, colours.ok),
        "FAIL": (glyphs.fail, colours.fail),
        "NOT TESTED": (glyphs.unknown, colours.warn),
    }.get(word, (glyphs.absent, colours.dim))
    return Shown(sign, word, colour)


def evidence(piece: Evidence) -> str:
    """A piece of evidence in one line."""
    number = "" if piece.exchange is None else f"exchange {piece.exchange}: "
    return told(number + piece.text)


def duplicate(value: str, glyphs: Glyphs, colours: Colours) -> Shown:
    """Whether one or two devices answer at an address."""
    if value == "single":
        return Shown(glyphs.ok, "one device", colours.ok)
    if value == "duplicate":
        return Shown(glyphs.fail, "two devices", colours.fail)
    return Shown(glyphs.unknown, "undecided", colours.dim)


def step(state: JobState, which: Step, glyphs: Glyphs, colours: Colours) -> Shown:
    """A step of the job as the job list shows it."""
    view = state.steps[which]
    if which is Step.LINK:
        return _link(state, glyphs, colours)
    match view.state:
        case StepState.TO_DO:
            if which is Step.ADDRESSES and (_twice(state) or _all_tested(state)):
                return _done(state, which, glyphs, colours)
            return Shown(glyphs.idle, "to do", colours.dim)
        case StepState.RUNNING:
            return Shown(glyphs.running, f"runs {percent(view)}".rstrip(), colours.accent)
        case StepState.STOPPED:
            return Shown(glyphs.stopped, "stopped", colours.warn)
        case StepState.FAILED:
            return Shown(glyphs.fail, "failed", colours.fail)
        case StepState.DONE:
            return _done(state, which, glyphs, colours)


def _link(state: JobState, glyphs: Glyphs, colours: Colours) -> Shown:
    if state.error is not None:
        return Shown(glyphs.fail, "lost", colours.fail)
    if state.listening:
        return Shown(glyphs.running, "listening", colours.accent)
    if state.is_open:
        return Shown(glyphs.ok, "open", colours.ok)
    if state.opening:
        return Shown(glyphs.running, "opening", colours.accent)
    return Shown(glyphs.idle, "to do", colours.dim)


def _done(state: JobState, which: Step, glyphs: Glyphs, colours: Colours) -> Shown:
    if which is Step.FIND:
        count = len(state.devices)
        if not count:
            return Shown(glyphs.warn, "nobody", colours.warn)
        return Shown(glyphs.ok, f"{count} found", colours.ok)
    if which is Step.ADDRESSES:
        twice = _twice(state)
        open_ones = sum(d.duplicate == "undecided" for d in state.devices.values())
        if twice:
            return Shown(glyphs.fail, f"{twice} twice", colours.fail)
        if open_ones:
            return Shown(glyphs.unknown, f"{open_ones} open", colours.warn)
        return Shown(glyphs.ok, "all single", colours.ok)
    if which is Step.LINE:
        return _line(state, glyphs, colours)
    if which is Step.ENERGY and state.balance is not None:
        return balance(state.balance.verdict.value, glyphs, colours)
    if which is Step.HANDOVER:
        return _handover(state, glyphs, colours)
    if which is Step.BENCH:
        return _bench(state, glyphs, colours)
    verdicts = {d.verdict.value for d in state.wiring.values()}
    for bad in ("fault", "inconsistent", "ambiguous", "undecided"):
        if bad in verdicts:
            return _judgement(bad, glyphs, colours)
    return Shown(glyphs.ok, "correct" if verdicts else "done", colours.ok)


def _line(state: JobState, glyphs: Glyphs, colours: Colours) -> Shown:
    bad = 0 if state.weighed is None else state.weighed.bad
    bad = max(bad, sum(tally.failed for tally in state.tallies.values()))
    if bad:
        return Shown(glyphs.warn, f"{bad} errors" if bad > 1 else "1 error", colours.warn)
    return Shown(glyphs.ok, "clean", colours.ok)


def _handover(state: JobState, glyphs: Glyphs, colours: Colours) -> Shown:
    if state.plan_file and not state.checks and state.report is None:
        # A plan is what the site is still to be held against.
        return Shown(glyphs.idle, "plan written", colours.note)
    return _checked(state.checks, state, glyphs, colours)


def _checked(
    checks: Mapping[tuple[str, str], Check], state: JobState, glyphs: Glyphs, colours: Colours
) -> Shown:
    outcomes = [made.outcome.value for made in checks.values()]
    if failed := outcomes.count("FAIL"):
        return Shown(glyphs.fail, f"{failed} failed", colours.fail)
    if untested := outcomes.count("NOT TESTED"):
        return Shown(glyphs.unknown, f"{untested} untested", colours.warn)
    if outcomes:
        return Shown(glyphs.ok, "all passed", colours.ok)
    return Shown(glyphs.ok, "written" if state.report else "done", colours.ok)


def _bench(state: JobState, glyphs: Glyphs, colours: Colours) -> Shown:
    if state.bench is None:
        return Shown(glyphs.idle, "to do", colours.dim)
    if not state.bench.passed:
        return _checked(state.bench_checks, state, glyphs, colours)
    return Shown(glyphs.ok, "passed", colours.ok)


def _twice(state: JobState) -> int:
    return sum(d.duplicate == "duplicate" for d in state.devices.values())


def _all_tested(state: JobState) -> bool:
    """Whether the search has tested every address for a second device already."""
    searching = state.steps[Step.FIND].state is StepState.RUNNING
    decided = all(d.duplicate in ("single", "duplicate") for d in state.devices.values())
    return bool(state.devices) and decided and not searching


def times(count: int) -> str:
    """How often, in words."""
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def percent(view: StepView) -> str:
    """Progress of a running step as "42 %", or nothing."""
    if view.progress is None or view.progress.total <= 0:
        return ""
    return f"{100 * view.progress.done // view.progress.total} %"


def line_settings(state: JobState) -> str:
    """Line settings as they are known, nothing where there are none."""
    if state.settings is None:
        return ""
    return "settings to be found" if state.settings_sought else str(state.settings)


def duration(seconds: float) -> str:
    """A duration as a technician says it."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min"


def clock(seconds: float) -> str:
    """A time since the first request, as minutes and seconds."""
    return f"{int(seconds // 60)}:{seconds % 60:06.3f}"


def number(value: float, decimals: int, glyphs: Glyphs) -> str:
    """A measured value with thousands apart, or a dash where it is none."""
    if not math.isfinite(value):
        return glyphs.dash
    return f"{value:,.{decimals}f}".replace(",", " ").replace("-", glyphs.minus)


def cut(text: str, width: int, glyphs: Glyphs) -> str:
    """Text in a row of so many columns, with a sign where it was too long."""
    if cell_len(text) <= width:
        return text
    return set_cell_size(text, max(0, width - 1)) + glyphs.ellipsis if width > 0 else ""


def wrapped(text: str, width: int) -> list[str]:
    """Text broken into rows between words."""
    return list(_wrapped(text, max(8, width)))


_BREAK_BEHIND = "/\\_."


# The same few texts stand on the screen from picture to picture.
@lru_cache(512)
def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(_Wrapper(width).wrap(text)) or ("",)


class _Wrapper(textwrap.TextWrapper):
    """Breaks what is longer than a row, such as a path, behind one of its signs."""

    def _handle_long_word(
        self, reversed_chunks: list[str], cur_line: list[str], cur_len: int, width: int
    ) -> None:
        word, room = reversed_chunks[-1], max(1, width - cur_len)
        cut = max(word.rfind(sign, 0, room) for sign in _BREAK_BEHIND) + 1
        if cut:
            cur_line.append(word[:cut])
            reversed_chunks[-1] = word[cut:]
        elif not cur_line:
            super()._handle_long_word(reversed_chunks, cur_line, cur_len, width)
