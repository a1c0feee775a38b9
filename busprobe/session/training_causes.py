"""The causes that can be stated, in groups, each in a few words; the codes are the catalogue's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Where = Literal["line", "address", "inputs"]


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause that can be stated.

    Attributes:
        code: Code of the finding.
        words: What it means, for somebody who chooses from a list.
        where: What it concerns: the whole line, the device at an address, or inputs of a meter.
    """

    code: str
    words: str
    where: Where


@dataclass(frozen=True, slots=True)
class CauseGroup:
    """Causes of a kind, under a title."""

    title: str
    causes: tuple[Cause, ...]


GROUPS: tuple[CauseGroup, ...] = (
    CauseGroup(
        "Addresses and settings",
        (
            Cause("duplicate-address", "several devices share this address", "address"),
            Cause("settings-differ", "other line settings than the rest", "address"),
            Cause("device-silent", "a planned device does not answer", "address"),
            Cause("wrong-parity", "other parity than the line", "address"),
        ),
    ),
    CauseGroup(
        "Who talks",
        (
            Cause("foreign-master", "another master polls", "line"),
            Cause("polled-absent", "that master asks for nobody here", "address"),
            Cause("jabber", "somebody sends without a pause", "line"),
            Cause("answers-for-others", "answers requests to others", "address"),
        ),
    ),
    CauseGroup(
        "The line",
        (
            Cause("swapped-pair", "A and B exchanged at this device", "address"),
            Cause("no-bias", "the idle line is not held", "line"),
            Cause("surplus-termination", "too many terminators", "line"),
            Cause("noisy-line", "disturbance damages everybody's frames", "line"),
            Cause("echo-heard", "the adapter returns every request", "line"),
            Cause("driver-late", "the adapter lets go too late", "line"),
            Cause("damage-at-address", "answers from here alone are damaged", "address"),
            Cause("line-silent", "nothing answers at all", "line"),
        ),
    ),
    CauseGroup(
        "How a device answers",
        (
            Cause("slow-device", "takes long to answer", "address"),
            Cause("late-answer", "answers after the usual time-out", "address"),
            Cause("requests-dropped", "ignores part of the requests", "address"),
            Cause("minimum-gap", "needs a rest before a request", "address"),
            Cause("deaf-after-others", "deaf after others' traffic", "address"),
            Cause("first-byte-lost", "the first byte is lost", "address"),
            Cause("last-byte-lost", "the last byte is cut", "address"),
            Cause("rolling-answer", "the last byte comes with the next", "address"),
        ),
    ),
    CauseGroup(
        "Wiring of a meter",
        (
            Cause("ct-reversed", "CT the wrong way round", "inputs"),
            Cause("cts-swapped", "CTs exchanged with each other", "inputs"),
            Cause("ct-wrong-phase", "CT on another phase", "inputs"),
            Cause("ct-dead", "CT open or not closed", "inputs"),
            Cause("ct-ratio", "CT of another ratio", "inputs"),
            Cause("voltage-lead-open", "voltage lead open", "inputs"),
            Cause("voltage-leads-swapped", "voltage leads exchanged", "inputs"),
            Cause("neutral-lead-wrong", "neutral lead wrong or open", "address"),
        ),
    ),
    CauseGroup(
        "Energy of the site",
        (
            Cause("balance-meter-reversed", "the whole meter counts the wrong way", "address"),
            Cause("balance-input-reversed", "one CT at a source reversed", "inputs"),
            Cause("balance-wrong-ratio", "shows a multiple of the true power", "address"),
            Cause("balance-input-ratio", "one input shows a multiple", "inputs"),
            Cause("balance-wrong-phase", "CT at a source on another phase", "inputs"),
            Cause("balance-shows-half", "shows half, or half reversed", "address"),
            Cause("balance-dead-input", "an input shows nothing of its source", "inputs"),
            Cause("balance-outside", "source on the grid's side of the feed-in meter", "address"),
            Cause("balance-counted-twice", "its power is counted by another too", "address"),
            Cause("balance-wrong-role", "measures something else than planned", "address"),
            Cause("balance-unmetered-source", "a source that nobody measures", "line"),
        ),
    ),
)

CAUSES: dict[str, Cause] = {cause.code: cause for group in GROUPS for cause in group.causes}


@dataclass(frozen=True, slots=True)
class Statement:
    """A cause as it was put together on the form.

    Attributes:
        code: Code of the cause.
        address: Address of the device, None for the whole line.
        inputs: Inputs of the meter, in order.
    """

    code: str
    address: int | None = None
    inputs: tuple[str, ...] = ()

    def __str__(self) -> str:
        """As an answer is written."""
        where = "" if self.address is None else f"@{self.address}"
        return self.code + where + (f"/{'+'.join(self.inputs)}" if self.inputs else "")


def answer_text(stated: list[tuple[Statement, ...]]) -> str:
    """What was stated, as an answer is written; several in one are alternatives."""
    return ", ".join("|".join(map(str, each)) for each in stated) or "none"
