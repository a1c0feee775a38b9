"""At which settings do others talk? Guessed from their bytes, heard at whatever settings."""

from __future__ import annotations

from busprobe.diagnosis.settings_guess.expectation import Hypothesis
from busprobe.diagnosis.settings_guess.weigh import (
    AMID_NOISE,
    FLOATING,
    JABBER,
    NOISE,
    Stay,
    of_rates,
    of_settings,
    posterior,
    swapped,
)

__all__ = [
    "AMID_NOISE",
    "FLOATING",
    "JABBER",
    "NOISE",
    "Hypothesis",
    "Stay",
    "of_rates",
    "of_settings",
    "posterior",
    "swapped",
]
