"""Text for terminals that lack characters: a near sign instead of a question mark."""

from __future__ import annotations

_NEAR = str.maketrans(
    {
        "✔": "+",
        "✘": "x",
        "·": "-",
        "•": "-",
        "→": "->",
        "←": "<-",
        "…": "...",
        "−": "-",
        "–": "-",
        "×": "x",
        "±": "+/-",
        "≤": "<=",
        "≥": ">=",
        "°": " deg ",
        "Ω": "Ohm",
        "φ": "phi",
        "µ": "u",
    }
)


def encodable(text: str, encoding: str) -> str:
    """The same text in characters that `encoding` has; what has no near sign becomes "?"."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        kept = "".join(c if _has(c, encoding) else c.translate(_NEAR) for c in text)
        return kept.encode(encoding, errors="replace").decode(encoding)
    return text


def _has(character: str, encoding: str) -> bool:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True
