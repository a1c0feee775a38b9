"""What the core says of commands and options, said in keys and fields of the screens."""

from __future__ import annotations

import re

# Name of a command, and where the screens do the same.
_PLACES = {
    "ports": "step 1 (r looks again for ports)",
    "listen": "l in step 4",
    "scan": "step 2",
    "read": "step 2 (v shows registers)",
    "watch": "w",
    "duplicates": "step 3",
    "line": "step 4",
    "wiring": "step 5",
    "balance": "step 6",
    "bench": "step 8",
    "plan": "P in step 7",
    "verify": "step 7",
    "report": "p in step 7",
    "readdress": "a in step 3",
    "doctor": "U (this computer)",
    "demo": "a practice bus in step 1",
    "simulate": "a practice bus in step 1",
}
# An option that does a thing of its own, and where the screens do it.
_GUIDED = {("readdress", "--separate"): "g in step 3"}
_COMMAND = re.compile(r"'busprobe (\w+)(?: [^']*)?'")
# Whole phrases first; an option that the screens do not have is left out with its bracket.
_PHRASES = (
    ("without --fast", "with s instead of o"),
    ("insist (--insist)", "press i to ask anyway"),
    ("with --baud and --parity as found", "at the settings found (step 1)"),
    (", or give --record FILE", ""),
    ("Give --grid NAME and --generator NAME.", "Name the feed-in meter and a generator."),
    ("(--seconds 60)", "(2 min)"),
    ("(--soak 600)", "(10 min)"),
    (" (--load W)", " (Load/W)"),
    ("again with --profile FILE", "again with a profile of your own (O in step 2)"),
    ("Give a place for --state that", "Choose a place for the plan that"),
    ("Give another --state, or move this file away", "Move this file away"),
    ("Give another --state.", "Move this file away."),
    ("Begin a new state file with --state, or verify", "Move the state file away, or verify"),
    ("Choose another --state, or move this file away.", "Move this file away."),
    ("Choose another --state.", "Move this file away."),
)


def screen_words(text: str) -> str:
    """The same advice for somebody who looks at the screens.

    Args:
        text: Words of the core, which know the command line only.
    """
    if "--" not in text and "busprobe " not in text:
        return text
    for phrase, said in _PHRASES:
        text = text.replace(phrase, said)
    return _COMMAND.sub(_place, text)


def _place(found: re.Match[str]) -> str:
    for (command, option), place in _GUIDED.items():
        if found[1] == command and option in found[0]:
            return place
    return _PLACES.get(found[1], found[0])
