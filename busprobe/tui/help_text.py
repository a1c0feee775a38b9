"""What a help text is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HelpText:
    """A title and a few paragraphs."""

    title: str
    paragraphs: tuple[str, ...]
