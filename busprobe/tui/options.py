"""What can be wished of each step beyond its form: the fields, and what becomes of them.

Pure: values come from texts as they were typed; nothing here knows a screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from busprobe.model.errors import InputError
from busprobe.session.events import Step
from busprobe.tui.form import (
    FormField,
    addresses,
    existing_file,
    existing_files,
    new_file,
    number,
)

if TYPE_CHECKING:
    from pathlib import Path

    from busprobe.model.line import LineSettings
    from busprobe.session.wishes import SearchWish

Texts = Mapping[str, str]

_YES_NO = (("yes", "yes"), ("no", "no"))
_NO_YES = (("no", "no"), ("yes", "yes"))
# As in `busprobe.site.items.Group`, which is not loaded before the first picture.
CHECK_GROUPS = (
    "find", "duplicates", "identity", "line", "readings", "wiring", "balance", "coupling",
)  # fmt: skip
# As in `busprobe.diagnosis.wiring.MeterSystem`, likewise.
SYSTEMS = (
    ("as its registers say", ""),
    ("3 phases, 4 wires", "3p4w"),
    ("3 phases, 3 wires", "3p3w"),
    ("split phase", "split"),
    ("one phase", "1p"),
)
GENERATION = (
    ("not known", ""),
    ("it gives power", "gives"),
    ("it draws power", "draws"),
)


def ratings(text: str) -> dict[int, float]:
    """Rating by address, written as 2:6000,4:5500 [W].

    Raises:
        InputError: It is no list of ratings.
    """
    found: dict[int, float] = {}
    for part in filter(None, (part.strip() for part in text.split(","))):
        place, colon, watts = part.partition(":")
        try:
            (address,) = addresses(place)
            rated = float(watts)
        except (ValueError, InputError):
            colon, rated = "", 0.0
        if not colon or not 0 < rated < 1e8:
            raise InputError(
                f"'{part}' is not understood.", "Write address and watts as 2:6000,4:5500."
            )
        found[address] = rated
    return found


def groups(text: str) -> tuple[str, ...]:
    """Names of checks, separated by commas.

    Raises:
        InputError: There is no such check.
    """
    named = tuple(part.strip().lower() for part in text.split(",") if part.strip())
    for name in named:
        if name not in CHECK_GROUPS:
            raise InputError(
                f"There is no check '{name}'.", f"Choose from {', '.join(CHECK_GROUPS)}."
            )
    return named


def links(text: str) -> tuple[str, ...]:
    """Other links for lines of a plan, as roof=tcp://HOST, separated by commas.

    Raises:
        InputError: One of them names no link.
    """
    from busprobe.model.line import parse_link

    named = tuple(part.strip() for part in text.split(",") if part.strip())
    for part in named:
        parse_link(part.partition("=")[2] or part)
    return named


def line_settings(text: str) -> tuple[LineSettings, ...]:
    """Line settings as 19200-8E1, separated by commas.

    Raises:
        InputError: One of them is none.
    """
    import re

    from busprobe.model.line import LineSettings, Parity

    found = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        match = re.fullmatch(r"(\d+)[- ]8([NEO])([12])", part.upper())
        if match is None:
            raise InputError(f"'{part}' is no line setting.", "Write it as 19200-8E1.")
        found.append(LineSettings(int(match[1]), Parity(match[2]), int(match[3])))
    return tuple(found)


def photos(text: str) -> tuple[tuple[Path, str], ...]:
    """Photo files with their captions.

    Raises:
        InputError: A file is not there.
    """
    found = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        name, _, caption = part.partition("=")
        (path,) = existing_files(name)
        found.append((path, caption.strip() or path.stem))
    return tuple(found)


OPTIONS: dict[Step, tuple[FormField, ...]] = {
    Step.LINK: (
        FormField("other-rate", "Other rate/Bd", "A rate that is not in the list; it goes before "
                  "what is chosen there. Empty: as chosen.", placeholder="as chosen",
                  parse=number(50, 4_000_000, unit="Bd", whole=True, empty=True)),
        FormField("keep", "Record visit", "Whether everything is kept in a recording. Without one "
                  "there is no report.", "yes", choices=_YES_NO),
        FormField("record-file", "Recording", "A file of your own for the recording; a new one. "
                  "Empty: in your folder of recordings.", placeholder="in your folder",
                  parse=new_file),
    ),
    Step.FIND: (
        FormField("addresses", "Addresses", "Whom to search, as 1-32 or 1-20,100. Empty: all of 1 "
                  "to 247.", placeholder="1-247", parse=addresses),
        FormField("second-round", "Second round", "Ask the silent ones once more, slower: finds "
                  "devices that take their time.", "yes", choices=_YES_NO),
        FormField("listen-first", "Listen first/s", "How long to listen for another master before "
                  "the first request.", "3", parse=number(0, 600, unit="s")),
        FormField("duplicates", "Shared address", "Look at every address found whether a second "
                  "device answers there.", "yes", choices=_YES_NO),
        FormField("profiles", "Own profiles", "Files with device profiles of your own, separated "
                  "by commas; they go before those that came along.", placeholder="none",
                  parse=existing_files),
        FormField("watch-every", "Live values/s", "How often live values are read (w).", "1",
                  parse=number(0.1, 3600, unit="s")),
    ),
    Step.ADDRESSES: (
        FormField("check-addresses", "Addresses", "Where to look for a second device, as 1-10. "
                  "Empty: wherever somebody answers.", placeholder="all known", parse=addresses),
    ),
    Step.LINE: (
        FormField("line-addresses", "Addresses", "Whom to ask, as 1,2,10-12. Empty: everybody who "
                  "is known or expected.", placeholder="all known", parse=addresses),
        FormField("own-soak", "Soak/s", "How long to go on counting; goes before what is chosen "
                  "in the step. Empty: as chosen.", placeholder="as chosen",
                  parse=number(0, 30 * 86_400, unit="s", empty=True)),
        FormField("own-listen", "Listen/s", "How long l listens; goes before what is chosen in "
                  "the step. Empty: as chosen.", placeholder="as chosen",
                  parse=number(0.5, 86_400, unit="s", empty=True)),
    ),
    Step.WIRING: (
        FormField("tolerance", "Load known to/%", "How well the power of the load is known: 10 "
                  "for a heater by its plate, 2 where you measure it.", "10",
                  parse=number(0.1, 100, unit="%")),
        FormField("system", "Connected as", "How the meter is connected, where its registers do "
                  "not say or say it wrongly.", "", choices=SYSTEMS),
        FormField("passive", "Watch/s", "How long to watch where 'no load: only watch' is chosen "
                  "in the step.", "180", parse=number(10, 86_400, unit="s")),
    ),
    Step.ENERGY: (
        FormField("ratings", "Ratings/W", "Rated power of what a meter measures, by address, as "
                  "2:6000,4:5500: a wrong ratio shows sooner.", placeholder="not known",
                  parse=ratings),
        FormField("generation", "Positive means", "What a positive power of a generator's meter "
                  "means. Its counters tell it better and go first.", "", choices=GENERATION),
        FormField("own-duration", "At most/s", "How long to read; goes before what is chosen in "
                  "the step. Empty: as chosen.", placeholder="as chosen",
                  parse=number(10, 86_400, unit="s", empty=True)),
    ),
    Step.HANDOVER: (
        FormField("only", "Only checks", f"Any of {', '.join(CHECK_GROUPS)}. Empty: all.",
                  placeholder="all", parse=groups),
        FormField("verify-tolerance", "Load known to/%", "How well the power of the load is "
                  "known.", "10", parse=number(0.1, 100, unit="%")),
        FormField("verify-watch", "Read meters/s", "How long the meters are read for the balance: "
                  "longer decides more.", "120", parse=number(10, 86_400, unit="s")),
        FormField("verify-insist", "Ask anyway", "Ask although another master talks: both may "
                  "disturb each other.", "no", choices=_NO_YES),
        FormField("links", "Other links", "Where a line of the plan is reached otherwise, as "
                  "roof=tcp://192.168.1.20.", placeholder="as in the plan", parse=links),
        FormField("kept-in", "Checks kept in", "File in which every check is kept, and from which "
                  "it goes on. Empty: beside the plan.", placeholder="beside the plan",
                  parse=new_file),
        FormField("plan-out", "First plan to", "Where P writes a first plan; a new file. Empty: "
                  "beside the recording.", placeholder="beside the recording", parse=new_file),
    ),
    Step.BENCH: (
        FormField("nominal", "Nominal/V", "Nominal voltage on its terminals, line to neutral.",
                  "230", parse=number(10, 1000, unit="V")),
        FormField("with-cts", "Through CTs", "Whether the meter is connected through CTs: the "
                  "limits of its class depend on it.", "no", choices=_NO_YES),
        FormField("at", "Settings for u", "Only these line settings, as 19200-8E1,9600-8N1. "
                  "Empty: every one it offers.", placeholder="every one", parse=line_settings),
    ),
}  # fmt: skip

REPORT: tuple[FormField, ...] = (
    FormField("customer", "Customer", "Whose site it is.", placeholder="not told"),
    FormField("site-name", "Site", "Name of the site.", placeholder="not told"),
    FormField("site-address", "Where", "Address of the site.", placeholder="not told"),
    FormField("order", "Order", "Number of the order.", placeholder="not told"),
    FormField("technician", "Technician", "Who verified: your name.", placeholder="not told"),
    FormField("company", "Company", "The technician's company.", placeholder="not told"),
    FormField("witness", "Witness", "Who was there on the customer's side.",
              placeholder="not told"),
    FormField("notes", "Notes", "What else should be known.", placeholder="none"),
    FormField("photos", "Photos", "JPEG or PNG files, separated by commas; a caption after =, as "
              "board.jpg=Meter 2 with its CTs.", placeholder="none",
              parse=photos),
    FormField("details", "Details file", "A file with all that only people know: instruments, "
              "names of meters, references. What is typed here goes before it.",
              placeholder="none", parse=existing_file),
    FormField("more", "More recordings", "Further recordings of this visit, separated by commas.",
              placeholder="none", parse=existing_files),
    FormField("as-left", "As left", "Recordings of the site as you leave it, after mending.",
              placeholder="none", parse=existing_files),
    FormField("checks", "Checks", "File of a verification. Empty: that of this step.",
              placeholder="of this step", parse=existing_file),
    FormField("pdf", "PDF, too", "Writes a PDF beside page and data.", "no", choices=_NO_YES),
)  # fmt: skip
# Where what is typed stands in the file of details.
_KNOWN = {
    "customer": ("site", "customer"),
    "site-name": ("site", "name"),
    "site-address": ("site", "address"),
    "order": ("site", "order"),
    "notes": ("site", "notes"),
    "technician": ("technician", "name"),
    "company": ("technician", "company"),
    "witness": ("witness", "name"),
}


@dataclass(frozen=True, slots=True)
class Chosen:
    """Options that were taken over: texts by name of the field."""

    fields: tuple[FormField, ...]
    texts: Texts

    def value(self, name: str) -> object:
        """What was chosen in a field."""
        return next(field for field in self.fields if field.name == name).value(self.texts)

    def number(self, name: str) -> float | None:
        """What was chosen in a field for a number."""
        return cast("float | None", self.value(name))

    def yes(self, name: str) -> bool:
        """What was chosen between yes and no."""
        return self.value(name) == "yes"

    def path(self, name: str) -> Path | None:
        """The file that was named."""
        return cast("Path | None", self.value(name))

    def paths(self, name: str) -> tuple[Path, ...]:
        """The files that were named."""
        return cast("tuple[Path, ...]", self.value(name))

    def told(self) -> str:
        """What differs from the usual, in a line; "" where nothing does."""
        parts = []
        for field in self.fields:
            text = field.text(self.texts)
            if text != field.default:
                shown = next((label for label, value in field.choices if value == text), text)
                parts.append(f"{field.label} {shown or 'none'}")
        return ", ".join(parts)


def search_wish(chosen: Chosen) -> SearchWish:
    """How to search."""
    from busprobe.session.wishes import SearchWish

    return SearchWish(
        cast("tuple[int, ...]", chosen.value("addresses")),
        chosen.yes("second-round"),
        chosen.number("listen-first") or 0.0,
        chosen.yes("duplicates"),
        chosen.paths("profiles"),
    )


def known_of_people(chosen: Chosen) -> tuple[tuple[str, str, str], ...]:
    """What was typed for the report, by group and key of the file of details."""
    typed = ((place, chosen.value(name)) for name, place in _KNOWN.items())
    return tuple((group, key, str(text)) for (group, key), text in typed if text)
