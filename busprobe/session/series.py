"""Recorded series judged without a link: wiring of one meter, energy balance of a site."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from busprobe.diagnosis.balance import (
    BalanceDiagnosis,
    MeterRole,
    Positive,
    Role,
    diagnose_balance,
)
from busprobe.diagnosis.series_text import parse_series, parse_site_series
from busprobe.diagnosis.wiring import KnownLoad, MeterSystem, WiringDiagnosis, diagnose_wiring
from busprobe.model.errors import InputError
from busprobe.model.series import Series

# An hour of one-second rows with every column is half a megabyte; a day is twelve.
_LARGEST_OF_A_METER = 50_000_000
# A day of one-second rows of four meters.
_LARGEST_OF_A_SITE = 100_000_000
# Roles by what the columns of a series are called.
_BY_NAME = (
    (Role.GRID, re.compile(r"grid|mains|feed|main|netz|utility", re.IGNORECASE)),
    (Role.BATTERY, re.compile(r"bat|storage", re.IGNORECASE)),
    (Role.HYBRID, re.compile(r"hyb|inv", re.IGNORECASE)),
    (Role.GENERATOR, re.compile(r"gen|pv|solar|wind|chp|hydro|water|turbine", re.IGNORECASE)),
    (Role.LOAD, re.compile(r"load|house|heat|pump|consum", re.IGNORECASE)),
)
SIGNS = {
    "gives": Positive.INTO_SITE,
    "draws": Positive.OUT_OF_SITE,
    "unknown": Positive.UNKNOWN,
}


@dataclass(frozen=True, slots=True)
class Named:
    """A meter as it was named in the call: an address or a name, and a rating."""

    name: str
    rated_w: float | None


@dataclass(frozen=True, slots=True)
class Site:
    """All meters as they were named in the call.

    Attributes:
        grid, generators, hybrid, battery, loads: The meters by role.
        positive: What a positive power of a generator's meter means, None for the usual.
    """

    grid: Named | None
    generators: tuple[Named, ...]
    hybrids: tuple[Named, ...]
    batteries: tuple[Named, ...]
    loads: tuple[Named, ...]
    positive: Positive | None

    def by_role(self) -> list[tuple[Role, Named]]:
        """Every meter with its role, the feed-in meter first."""
        found = [] if self.grid is None else [(Role.GRID, self.grid)]
        for role, meters in (
            (Role.GENERATOR, self.generators),
            (Role.HYBRID, self.hybrids),
            (Role.BATTERY, self.batteries),
            (Role.LOAD, self.loads),
        ):
            found += [(role, meter) for meter in meters]
        return found

    def known(self, role: Role, rated_w: float | None, usual: bool) -> MeterRole:
        """What is known of a meter.

        Args:
            role: Its role.
            rated_w: Rating of what it measures [W].
            usual: Take the usual sign of a generator's meter where the call does not say it.
        """
        plain = MeterRole.usual(role, rated_w)
        if role is Role.GENERATOR:
            if self.positive is not None:
                return MeterRole(role, self.positive, rated_w)
            return plain if usual else MeterRole(role, Positive.UNKNOWN, rated_w)
        if role in (Role.GRID, Role.LOAD) and not usual:
            return MeterRole(role, Positive.UNKNOWN, rated_w)
        return plain


def wiring_of_series(
    file: Path, load: KnownLoad | None, system: MeterSystem | None
) -> WiringDiagnosis:
    """Judge the wiring of a meter by a recorded series.

    Args:
        file: CSV or JSON Lines.
        load: The load that was switched, None where none is known.
        system: How the meter is connected; three phases and four wires where None.

    Raises:
        InputError: The file cannot be read or holds no series.
    """
    parsed = parse_series(_text(file), str(file))
    return diagnose_wiring(parsed, load, system or MeterSystem.THREE_PHASE_FOUR_WIRE)


def balance_of_series(file: Path, site: Site) -> BalanceDiagnosis:
    """Judge whether the meters of a site add up by a recorded series.

    Args:
        file: CSV or JSON Lines, a set of columns per meter.
        site: The meters as they were named; the rest follows from the names of the columns.

    Raises:
        InputError: The file cannot be read, or a feed-in meter and another one cannot be told.
    """
    series = parse_site_series(_bytes(file, _LARGEST_OF_A_SITE), str(file))
    return diagnose_balance(series, roles_in(series, site, str(file)))


def named(text: str) -> Named:
    """Parse "2" or "2:5500" (and names instead of addresses)."""
    name, colon, rating = text.rpartition(":")
    if not colon:
        return Named(text, None)
    try:
        rated_w = float(rating)
    except ValueError:
        rated_w = 0.0
    if not name or not 0 < rated_w < 1e8:
        raise InputError(
            f"'{text}' is not understood.", "Write the meter and its rating in W as 2:5500."
        )
    return Named(name, rated_w)


def roles_in(series: Mapping[str, Series], site: Site, file: str) -> dict[str, MeterRole]:
    """Roles of the meters of a series, as given and else by their names."""
    roles: dict[str, MeterRole] = {}
    for role, meter in site.by_role():
        if meter.name not in series:
            raise InputError(
                f"{file} has no meter {meter.name!r}: it has {', '.join(map(repr, series))}.",
                "Name the meters as the columns are prefixed.",
            )
        roles[meter.name] = site.known(role, meter.rated_w, usual=True)
    for name in series:
        if name not in roles:
            guessed = _role_by_name(name, has_grid=_has_grid(roles))
            if guessed is not None:
                roles[name] = site.known(guessed, None, usual=True)
    if not _has_grid(roles) or len(roles) < 2:
        raise InputError(
            f"{file}: no feed-in meter and another meter among {', '.join(map(repr, series))}.",
            "Give --grid NAME and --generator NAME.",
        )
    return roles


def _has_grid(roles: dict[str, MeterRole]) -> bool:
    return any(known.role is Role.GRID for known in roles.values())


def _role_by_name(name: str, *, has_grid: bool) -> Role | None:
    for role, pattern in _BY_NAME:
        if pattern.search(name) and not (role is Role.GRID and has_grid):
            return role
    return None


def _text(file: Path) -> str:
    try:
        return _bytes(file, _LARGEST_OF_A_METER).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not text.", "Give a CSV or JSON Lines file.") from error


def _bytes(file: Path, most: int) -> bytes:
    try:
        if file.stat().st_size > most:
            raise InputError(
                f"{file} is larger than {most // 1_000_000} MB.", "Cut out the part that matters."
            )
        return file.read_bytes()
    except OSError as error:
        raise InputError(
            f"{file} cannot be read: {error.strerror}.", "Check the name and the permissions."
        ) from error
