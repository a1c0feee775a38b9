"""Findings about wiring."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import Entry

ENTRIES: dict[str, Entry] = {}
