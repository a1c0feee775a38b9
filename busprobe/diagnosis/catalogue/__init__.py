"""Code to cause, remedy and caution: the one place where findings get their words."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import (
    CAUTION_BUS,
    CAUTION_CT,
    CAUTION_LOAD,
    CAUTION_MAINS,
    Entry,
)
from busprobe.diagnosis.catalogue.build import CATALOGUE, finding

__all__ = [
    "CATALOGUE",
    "CAUTION_BUS",
    "CAUTION_CT",
    "CAUTION_LOAD",
    "CAUTION_MAINS",
    "Entry",
    "finding",
]
