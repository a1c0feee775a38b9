"""Findings about line."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "foreign-master": Entry(
        Severity.WARNING,
        "Another master is talking on this line.",
        "Whole frames about address {addresses} were heard although nothing had been sent. An "
        "energy "
        "manager or an inverter polls its meters here. Talking into its conversation can give it "
        "wrong values, and with storage that moves power.",
        "Unplug the other master from the line, or switch it off, and search again.",
    ),
}
