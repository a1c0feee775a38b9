"""Findings about a search as a whole."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_BUS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "nobody-answers": Entry(
        Severity.FAULT,
        "Nobody answers at any of {count} addresses.",
        "Every request stayed unanswered{settings}. A line without power, a cut or swapped pair, "
        "other line settings or the wrong port all look like this; the bytes cannot tell them "
        "apart.",
        "Check in this order: meters powered; the two bus wires at the adapter, then exchanged "
        "for a "
        "try (nothing is damaged by it); the common wire; the line settings printed on the meter.",
        CAUTION_BUS,
    ),
    "settings-differ": Entry(
        Severity.FAULT,
        "The device at address {address} talks {settings}, the rest of the line {home}.",
        "All devices on a line must use one rate and format (Modbus over Serial Line V1.02, "
        "section "
        "2.5.1). At the line's own settings this one stays silent, so the energy manager never "
        "hears "
        "it.",
        "Set this device to {home} (its manual or its display says how), then search again.",
    ),
    "answers-any-unit": Entry(
        Severity.NOTE,
        "The host answers at {count} unit ids as one and the same device.",
        "Every unit id gave the serial number {serial}: the device does not look at the unit id, "
        "as "
        "devices without a serial line behind them may (Modbus Messaging on TCP/IP V1.0b, section "
        "4.4.1.2).",
        "Use unit id {address}. Nothing needs to be changed.",
    ),
    "late-answer": Entry(
        Severity.WARNING,
        "The device at address {address} answers later than the search first listened.",
        "Its answer came while another address was being asked; it names its sender, so it was "
        "recognised and the device was asked again by itself.",
        "Set the response time-out of the energy manager to at least {needed_ms} ms for this "
        "device: "
        "with a shorter one it takes the answer for that of the next meter.",
    ),
    "echo-heard": Entry(
        Severity.NOTE,
        "Every request comes back to the sender first.",
        "The adapter hears itself (its receiver stays on while it sends), or the line is strapped "
        "four-wire. busprobe tells the echo from an answer; other programs may not.",
        "Use an adapter that switches its receiver off while it sends, or tell the other program "
        "to "
        "expect an echo.",
    ),
    "unidentified": Entry(
        Severity.WARNING,
        "Somebody answers at address {address}, but does not say who it is.",
        "It has no SunSpec map, no device identification and no server id, and no device profile "
        "fits: {reasons}",
        "Read the type plate. Write a device profile for it (device_profiles/README.md) and search "
        "again with --profile FILE.",
    ),
    "map-irregular": Entry(
        Severity.WARNING,
        "The SunSpec map of the device at address {address} is not as published: {what}.",
        "{text}",
        "Values from the models before that place are sound; ask the maker for a firmware that "
        "keeps "
        "to the published models, and check the readings against the display.",
    ),
    "active-text": Entry(
        Severity.WARNING,
        "The device at address {address} has control characters in its texts.",
        "The points {points} hold characters that can act on a terminal. They are written out here "
        "and never interpreted; other programs may be less careful.",
        "Ask where this device comes from. Re-enter its name if it can be set.",
    ),
}
