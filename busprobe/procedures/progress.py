"""How a procedure tells what it is doing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a procedure stands.

    Attributes:
        done: Units of work done, of `total`.
        total: Units of work in all, 0 when it cannot be known.
        remaining_s: Expected remaining time [s], None when it cannot be known.
        text: What is being done right now.
    """

    done: int
    total: int
    remaining_s: float | None
    text: str


Observer = Callable[[Progress], None]


def ignore(progress: Progress) -> None:
    """An observer for callers that do not care."""
