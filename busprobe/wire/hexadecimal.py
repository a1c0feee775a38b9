"""Bytes as people write them down."""

from __future__ import annotations

import ast
import re

from busprobe.model.errors import InputError

# Between bytes people write blanks, commas, semicolons, colons, dashes and brackets.
_TOKEN = re.compile(r"[^\s,;:\-\[\](){}|'\"]+")
_BYTES_LITERAL = re.compile(r"b('(?:[^'\\\n]|\\.)*'|\"(?:[^\"\\\n]|\\.)*\")", re.DOTALL)
_DIGITS = re.compile(r"(?:0[xX])?([0-9A-Fa-f]+)[hH]?")
_ESCAPED = re.compile(r"(?:\\x[0-9A-Fa-f]{2})+")
# The offset of a dump line: with a colon ("0010: 01 03"), or set apart ("00000010  01 03").
_OFFSET = re.compile(r"\s*([0-9A-Fa-f]{4,16})(:(?=\s|$)| {2,}|\t)")
_LAST_OFFSET = re.compile(r"\s*([0-9A-Fa-f]{7,8})\s*")
# The characters that a dump repeats to the right: between bars, or behind groups of two bytes.
_BARS = re.compile(r"\s*\|[^\n]*\|\s*$")
_GROUPS = re.compile(r" ((?:[0-9A-Fa-f]{4} ){0,7}[0-9A-Fa-f]{2}(?:[0-9A-Fa-f]{2})?)(?: {2,}.*)?")

_NEXT_STEP = "Give bytes in hexadecimal, such as: 01 03 00 00 00 02 C4 0B"


def parse_hex(text: str) -> bytes:
    r"""Read bytes written in hexadecimal.

    Blanks, line ends, commas, ``0x``, ``\x``, a trailing ``h``, brackets, Python bytes literals
    and dumps with offsets and a column of characters are understood.

    Args:
        text: What was typed or pasted.

    Raises:
        InputError: Something in it is no byte (its line and column are told), or there is none.
    """
    literal = _BYTES_LITERAL.fullmatch(text.strip())
    if literal:
        return _literal(text.strip())
    data = bytearray()
    dump = False
    for number, line in enumerate(text.splitlines(), 1):
        start, stop, is_dump = _dump_columns(line, len(data), dump)
        dump = dump or is_dump
        for token in _TOKEN.finditer(line, start, stop):
            data += _bytes_of(token[0], number, token.start() + 1)
    if not data:
        raise InputError("There are no bytes in this.", _NEXT_STEP)
    return bytes(data)


def _literal(text: str) -> bytes:
    try:
        value = ast.literal_eval(text)
    except (SyntaxError, ValueError):
        value = None
    if not isinstance(value, bytes) or not value:
        raise InputError("This is not a whole bytes literal.", _NEXT_STEP)
    return value


def _dump_columns(line: str, so_far: int, dump: bool) -> tuple[int, int, bool]:
    """Find where the bytes of a line begin and end, and whether it is a line of a dump."""
    offset = _OFFSET.match(line)
    # Without a colon it must count the bytes, else it may as well be bytes.
    if offset and (offset[2] == ":" or int(offset[1], 16) == so_far):
        start, stop = offset.end(), len(line)
        groups = _GROUPS.fullmatch(line, start) if offset[2] == ":" else None
        # One character for each byte; what is longer is no such column.
        if groups and len(line[groups.end(1) :].strip()) <= len(groups[1].replace(" ", "")) // 2:
            return groups.start(1), groups.end(1), True
        bars = _BARS.search(line, start)
        return start, bars.start() if bars else stop, True
    last = _LAST_OFFSET.fullmatch(line)
    if dump and last and int(last[1], 16) == so_far:
        return len(line), len(line), True
    return 0, len(line), False


def _bytes_of(token: str, line: int, column: int) -> bytes:
    if _ESCAPED.fullmatch(token):
        return bytes.fromhex(token.replace("\\x", ""))
    digits = _DIGITS.fullmatch(token)
    if digits is None:
        raise InputError(f"Line {line}, column {column}: '{token}' is not hexadecimal.", _NEXT_STEP)
    if len(digits[1]) == 1:
        return bytes((int(digits[1], 16),))
    if len(digits[1]) % 2:
        raise InputError(
            f"Line {line}, column {column}: '{token}' has an odd number of digits.",
            "Write two digits for each byte, such as 0A.",
        )
    return bytes.fromhex(digits[1])
