"""Findings about addresses."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_BUS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "duplicate-address": Entry(
        Severity.FAULT,
        "More than one device answers at address {address}.",
        "Two meters leave the factory with the same address as a rule. On this line {manner}, and "
        "the energy manager believes whichever it hears. {which}",
        "Let 'busprobe readdress LINK {address} --separate' guide you: you disconnect the bus "
        "wires of one of them, the other is given a free address, you reconnect, and both are "
        "asked. A meter whose address is only set at its own display gets it there while the other "
        "one is off; then search again. The grid meter usually keeps address 1.",
        CAUTION_BUS,
    ),
    "duplicate-undecided": Entry(
        Severity.WARNING,
        "Whether one or two devices answer at address {address} is undecided.",
        "What was heard fits one device on a bad line as well as two devices that seldom collide; "
        "the probability of two is {percent}.",
        "Mend what disturbs the line first (termination, bias, common wire, cable away from "
        "mains), "
        "then test again; or disconnect one device and see whether the address still answers.",
        CAUTION_BUS,
    ),
    "another-meter": Entry(
        Severity.FAULT,
        "At address {address} another meter answers than before: {after}, not {before}.",
        "Two meters share the address and answer in step, so that the nearer one drowns the other "
        "bit by bit; which one is heard depends on where the adapter is plugged in. Or the meter "
        "was exchanged between the two looks.",
        "If nobody exchanged it, two meters share the address, although each was heard alone: let "
        "'busprobe readdress LINK {address} --separate' guide you.",
        CAUTION_BUS,
    ),
}
