"""Fields for a recorded series and for exports, and the wishes that they become."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

from busprobe.model.errors import InputError
from busprobe.tui.form import FormField, existing_file, new_file, number
from busprobe.tui.options import GENERATION, SYSTEMS, Chosen

if TYPE_CHECKING:
    from busprobe.session.wishes import ExportWish, SeriesWish

_FILE_ABOUT = "CSV or JSON Lines, a row per reading: t in s, V_L1, I_L1, P_L1, Q_L1 and so on"
PHASES = (
    ("one phase after the other", "each"),
    ("L1 only", "L1"),
    ("L2 only", "L2"),
    ("L3 only", "L3"),
    ("three-phase load", "L1L2L3"),
    ("I do not know", "unknown"),
)


def meters(text: str) -> tuple[str, ...]:
    """Meters as they are named in the columns, with ratings, as pv:6000,chp.

    Raises:
        InputError: A rating is no power.
    """
    found = tuple(part.strip() for part in text.split(",") if part.strip())
    for part in found:
        name, colon, rating = part.rpartition(":")
        try:
            good = not colon or (bool(name) and 0 < float(rating) < 1e8)
        except ValueError:
            good = False
        if not good:
            raise InputError(f"'{part}' is not understood.", "Write name and watts as pv:6000.")
    return found


WIRING_SERIES: tuple[FormField, ...] = (
    FormField("series-file", "Series", f"{_FILE_ABOUT}; a column mark (on L1, off L1) helps.",
              placeholder="file such as log.csv", parse=existing_file),
    FormField("series-load", "Load/W", "Power of the load that was switched. Empty: none was.",
              "2000", placeholder="none", parse=number(1, 1e6, unit="W", empty=True)),
    FormField("series-tolerance", "Load known to/%", "How well its power is known.", "10",
              parse=number(0.1, 100, unit="%")),
    FormField("series-phase", "Switched on", "Where the load was switched.", "each",
              choices=PHASES),
    FormField("series-system", "Connected as", "How the meter was connected.", "",
              choices=(("3 phases, 4 wires, as usual", ""), *SYSTEMS[2:])),
)  # fmt: skip
SITE_SERIES: tuple[FormField, ...] = (
    FormField("series-file", "Series", f"{_FILE_ABOUT}, with the name of the meter before each, "
              "as grid.P_L1.", placeholder="file such as site.csv", parse=existing_file),
    FormField("grid", "Feed-in meter", "Its name in the columns. Empty: told by the name.",
              placeholder="by its name", parse=meters),
    FormField("generators", "Generators", "Their names, with ratings in watts as pv:6000.",
              placeholder="by their names", parse=meters),
    FormField("hybrids", "Hybrid inverters", "Likewise.", placeholder="by their names",
              parse=meters),
    FormField("batteries", "Batteries", "Likewise.", placeholder="by their names", parse=meters),
    FormField("consumers", "Consumers", "Likewise.", placeholder="by their names", parse=meters),
    FormField("series-generation", "Positive means", "What a positive power of a generator's "
              "meter means.", "", choices=GENERATION),
)  # fmt: skip
EXPORT: tuple[FormField, ...] = (
    FormField("recording", "Recording", "Which recording. Empty: that of this visit, or the one "
              "that is played back.", placeholder="of this visit", parse=existing_file),
    FormField("pcapng", "Frames, pcapng", "For a packet analyser. Empty: not written.",
              placeholder="not written", parse=new_file),
    FormField("readings", "Values, CSV", "A row per value that was read, for a spreadsheet.",
              placeholder="not written", parse=new_file),
    FormField("frames", "Frames, CSV", "A row per frame, for a spreadsheet.",
              placeholder="not written", parse=new_file),
    FormField("everything", "All, JSON", "Everything as one document, for other programs.",
              placeholder="not written", parse=new_file),
)  # fmt: skip
_ROLES = {
    "grid": "grid", "generators": "generator", "hybrids": "hybrid", "batteries": "battery",
    "consumers": "load",
}  # fmt: skip


def series_wish(chosen: Chosen, *, site: bool) -> SeriesWish:
    """What is to be judged."""
    from busprobe.session.wishes import SeriesWish

    file = cast(Path, chosen.value("series-file"))
    if site:
        named = tuple(
            (role, name)
            for field, role in _ROLES.items()
            for name in cast("tuple[str, ...]", chosen.value(field))
        )
        generation = str(chosen.value("series-generation"))
        return SeriesWish(file, site=True, meters=named, generation=generation)
    return SeriesWish(
        file,
        load_w=chosen.number("series-load"),
        tolerance=(chosen.number("series-tolerance") or 10.0) / 100,
        phase=str(chosen.value("series-phase")),
        system=str(chosen.value("series-system")),
    )


def export_wish(chosen: Chosen) -> ExportWish:
    """What is to be exported."""
    from busprobe.session.wishes import ExportWish

    return ExportWish(*(chosen.path(field.name) for field in EXPORT))


def exports_beside(recording: str) -> dict[str, str]:
    """What every export is called beside a recording; nothing where there is none."""
    if not recording:
        return {}
    path = Path(recording)
    ends = {"pcapng": ".pcapng", "readings": "-values.csv", "frames": "-frames.csv",
            "everything": ".json"}  # fmt: skip
    return {name: str(path.with_name(path.stem + end)) for name, end in ends.items()}
