"""AC coupling: do generators, hybrid inverter, limits and meters of a site fit together?"""

from __future__ import annotations

from busprobe.diagnosis.coupling.balance import house_load
from busprobe.diagnosis.coupling.follow import follows
from busprobe.diagnosis.coupling.ratings import charging, exporting, island
from busprobe.diagnosis.coupling.roles import daily_pattern, export_limit, role_and_sign
from busprobe.diagnosis.coupling.types import (
    Answer,
    Coupling,
    Generator,
    Holds,
    Role,
    Track,
)

__all__ = [
    "Answer",
    "Coupling",
    "Generator",
    "Holds",
    "Role",
    "Track",
    "charging",
    "daily_pattern",
    "export_limit",
    "exporting",
    "follows",
    "house_load",
    "island",
    "role_and_sign",
]
