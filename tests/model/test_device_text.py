"""Text from a device is data."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.device_text import LONGEST_TEXT, device_text, visible


def test_padding_is_dropped() -> None:
    assert device_text(b"Trollfen  \0\0\0") == "Trollfen"


def test_terminal_escapes_are_written_out() -> None:
    assert device_text(b"\x1b[2Jhello\x07") == "\\x1b[2Jhello\\x07"


def test_right_to_left_overrides_are_written_out() -> None:
    assert device_text("a\u202eb".encode()) == "a\\u202eb"


def test_invalid_utf8_is_written_out_byte_by_byte() -> None:
    assert device_text(b"Z\xff\xfeQ") == "Z\\xff\\xfeQ"


def test_long_text_is_cut_with_a_mark() -> None:
    shown = visible("x" * (LONGEST_TEXT + 5))
    assert shown == "x" * LONGEST_TEXT + "…"


@given(st.binary(max_size=300))
def test_no_bytes_can_act_on_a_terminal(raw: bytes) -> None:
    shown = device_text(raw)
    assert all(unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp") for c in shown)
