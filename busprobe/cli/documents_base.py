"""What all machine-readable documents have in common."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class Part(BaseModel):
    """Base of every part: immutable, nothing unexpected."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class SettingsPart(Part):
    """Line settings."""

    baud: int
    """Signalling rate [bit/s]."""
    parity: Literal["N", "E", "O"]
    stop_bits: Literal[1, 2]


class EvidencePart(Part):
    """One piece of evidence."""

    exchange: int | None
    """Number of the exchange within this call."""
    text: str
