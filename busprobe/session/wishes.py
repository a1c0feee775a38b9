"""What a technician may wish of a step beyond its start: plain values, light to load."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class SearchWish:
    """How to search.

    Attributes:
        addresses: Addresses to search; the whole line when empty.
        second_round: Ask the silent addresses a second time, slower.
        listen_first_s: How long to listen before the first request [s].
        duplicates: Look for a second device at every address found.
        profiles: Files with device profiles of the technician's own.
    """

    addresses: tuple[int, ...] = ()
    second_round: bool = True
    listen_first_s: float = 3.0
    duplicates: bool = True
    profiles: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportWish:
    """What the report is made from, beside the recording of this visit.

    Attributes:
        verification: State file of a verification, None where there was none.
        details: File with what only people know.
        known: What was typed at the screen, by group and key of that file, such as
            ("site", "customer"); it goes before what stands in the file.
        photos: Photo files and their captions, after those of the file.
        recordings: Further recordings of the site as found.
        as_left: Recordings of the site as left.
        pdf: Whether a PDF is written, too.
    """

    verification: Path | None = None
    details: Path | None = None
    known: tuple[tuple[str, str, str], ...] = ()
    photos: tuple[tuple[Path, str], ...] = ()
    recordings: tuple[Path, ...] = ()
    as_left: tuple[Path, ...] = ()
    pdf: bool = False


@dataclass(frozen=True, slots=True)
class SeriesWish:
    """A recorded series to be judged without a link.

    Attributes:
        file: CSV or JSON Lines.
        site: Whether it holds several meters, for the balance; else one, for its wiring.
        load_w: Power of the load that was switched [W]; None where none is known.
        tolerance: How well it is known, as a share.
        phase: Where it was switched.
        system: How the meter is connected, "" for three phases and four wires.
        meters: Role and meter of a site as they were named, such as ("generator", "pv:6000").
        generation: What a positive power of a generator's meter means, "" for the usual.
    """

    file: Path
    site: bool = False
    load_w: float | None = None
    tolerance: float = 0.1
    phase: str = "each"
    system: str = ""
    meters: tuple[tuple[str, str], ...] = ()
    generation: str = ""


@dataclass(frozen=True, slots=True)
class ExportWish:
    """A recording as files for other programs.

    Attributes:
        recording: Which; that of this visit, or the one that is replayed, where None.
        pcapng: The frames, for a packet analyser.
        readings: A row per value, for a spreadsheet.
        frames: A row per frame.
        everything: All of it as one JSON document.
    """

    recording: Path | None = None
    pcapng: Path | None = None
    readings: Path | None = None
    frames: Path | None = None
    everything: Path | None = None
