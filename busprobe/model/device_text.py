"""Text that came from a device: data, never instructions.

A device may send terminal escapes, markup, right-to-left overrides or plain noise in its name. What
is kept here is safe to show: every character that could act on a terminal is written out visibly.
Markup is the business of the face that shows the text (which must not interpret it).
"""

from __future__ import annotations

import unicodedata

# Longest text of the common model is 32 characters; device identification allows 245 bytes an
# object (MODBUS Application Protocol V1.1b3, section 6.21).
LONGEST_TEXT = 245

# Cc control, Cf format (bidirectional overrides, zero width), Cs surrogate, Co private, Cn
# unassigned, Zl/Zp line and paragraph separators.
_ACTIVE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def _shown(character: str) -> str:
    if unicodedata.category(character) not in _ACTIVE:
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def visible(text: str, longest: int = LONGEST_TEXT) -> str:
    """Write out every character that is not plain printable text, and cap the length.

    Args:
        text: Any text.
        longest: Characters of `text` to keep before an ellipsis marks the cut.
    """
    kept = "".join(_shown(c) for c in text[:longest])
    return kept if len(text) <= longest else kept + "…"


def device_text(raw: bytes) -> str:
    """Decode text from a device for showing and comparing.

    NULs and spaces around it are padding. Invalid UTF-8 is written out byte by byte.
    """
    kept = raw.split(b"\0", 1)[0]
    return visible(kept.decode("utf-8", errors="backslashreplace").strip(" "))
