"""What the steps of a job are given and what they end with: plain values.

They lie below events, words and steps, which all speak of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.line_health import Tally, Weighed
from busprobe.link.line_errors import LineErrors
from busprobe.model.device import Device
from busprobe.model.line import LineSettings
from busprobe.procedures.change_plan import ChangePlan, ChangeResult


@dataclass(frozen=True, slots=True)
class FindPlan:
    """How to search.

    Attributes:
        addresses: Addresses to search; the whole line when empty.
        settings: Line settings when they are known, else they are searched.
        second_round: Ask the silent addresses a second time, slower.
        listen_first_s: How long to listen before the first request [s].
        insist: Search although a foreign master is heard.
        duplicates: Look for a second device at every address found.
        fast: Listen briefly to each address and salvage late answers (`procedures.fast_sweep`).
    """

    addresses: tuple[int, ...] = ()
    settings: LineSettings | None = None
    second_round: bool = True
    listen_first_s: float = LISTEN_FIRST_NS / 1e9
    insist: bool = False
    duplicates: bool = True
    fast: bool = False


@dataclass(frozen=True, slots=True)
class FoundDevice:
    """A device and the settings at which it answers."""

    device: Device
    settings: LineSettings | None


@dataclass(frozen=True, slots=True)
class FindResult:
    """What a search found.

    Attributes:
        devices: In the order of their addresses.
        silent: Addresses that stayed silent.
        addresses: Addresses that were to be searched.
        settings: Line settings that were tried.
        silent_ms: Nobody at the silent addresses answers within this time [ms]; None where none is
            silent.
    """

    devices: tuple[FoundDevice, ...]
    silent: tuple[int, ...]
    addresses: tuple[int, ...]
    settings: tuple[LineSettings, ...]
    silent_ms: float | None = None


@dataclass(frozen=True, slots=True)
class LineReport:
    """What the line check found.

    Attributes:
        weighed: Causes with their probabilities.
        tallies: Counts by address: of the soak where there was one, else of the experiment.
        errors: Errors that the driver counted; None where it counts none.
        marks: Whether the link told of errors at each character.
        seconds: How long was counted [s].
    """

    weighed: Weighed
    tallies: dict[int, Tally]
    errors: LineErrors | None
    marks: bool
    seconds: float


@dataclass(frozen=True, slots=True)
class TourPlan:
    """What going through all settings of a device writes; nothing is sent while it is made.

    Attributes:
        home: The setting the device has.
        others: The settings to go to, in this order.
        legs: The changes in order; the last one leads home.
        why_not: Why there is nothing to confirm, or "".
    """

    home: LineSettings | None
    others: tuple[LineSettings, ...] = ()
    legs: tuple[ChangePlan, ...] = ()
    why_not: str = ""

    @property
    def writes(self) -> int:
        """How many registers are written in all."""
        return sum(len(leg.writes) for leg in self.legs)

    def writes_as(self, shown: TourPlan) -> bool:
        """Whether this writes what that did: the same registers of the same device, in one order.

        What else is known of a device may have grown since: how fast it answers, that it is alone.
        """

        def core(tour: TourPlan) -> tuple[object, ...]:
            legs = [(leg.old, leg.device.identity, leg.new, leg.writes) for leg in tour.legs]
            return (tour.home, tour.others, legs)

        return core(self) == core(shown)

    def lines(self) -> tuple[str, ...]:
        """Every write in words, in order."""
        told = []
        for leg in self.legs:
            told.append(f"{leg.settings} to {leg.new_settings}:")
            told += [
                f"  register {w.register} := {w.value} ({w.value:04X}h), {w.purpose}"
                for w in leg.writes
            ]
        if self.legs and self.legs[0].caution:
            told.append(self.legs[0].caution)
        return tuple(told)


class Stage(StrEnum):
    """How far a separation has come."""

    SHARED = "shared"
    """All are connected, nothing was touched."""
    ONE_LEFT = "one-left"
    """All but one are disconnected, nothing was written."""
    CHANGED = "changed"
    """One has its new address; the others may still be disconnected."""
    SEPARATED = "separated"
    """All are connected, each is alone at its address."""


@dataclass(frozen=True, slots=True)
class SeparatedMeter:
    """One of the meters.

    Attributes:
        device: As it was identified.
        settings: Line settings at which it answers.
        changed: Whether it was given its address now.
    """

    device: Device
    settings: LineSettings
    changed: bool

    @property
    def label(self) -> str:
        """What to write on it."""
        identity = self.device.identity
        return "\n".join(
            (
                str(identity),
                f"S/N {identity.serial or 'unknown'}",
                f"Modbus address {self.device.address}, {self.settings}",
            )
        )


@dataclass(frozen=True, slots=True)
class SeparationResult:
    """How a separation ended.

    Attributes:
        stage: How far it came.
        text: In what state things are, for the technician.
        address: The address that was shared.
        serials: Serial numbers that were heard there, as far as they could be told.
        meters: The meters as they answer now, those that were changed first; all of them only at
            the end.
        changes: What was to be written, how that ended (None where it was not confirmed), and who
            confirmed it and how; one for each meter that came to it.
        interrupted: The link was lost, or the program was stopped.
    """

    stage: Stage
    text: str
    address: int
    serials: tuple[str, ...] = ()
    meters: tuple[SeparatedMeter, ...] = ()
    changes: tuple[tuple[ChangePlan, ChangeResult | None, str], ...] = ()
    interrupted: bool = False
