"""Addresses as people write them: single ones and ranges."""

from __future__ import annotations

import re

from busprobe.model.errors import InputError
from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS


def parse_addresses(text: str, *, last: int = LAST_ADDRESS) -> tuple[int, ...]:
    """Parse "1-20,100" into addresses in the order given, without repeats.

    Raises:
        InputError: It names no addresses, or one out of range.
    """
    found: dict[int, None] = {}
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", part)
        if match is None:
            raise InputError(
                f"'{part.strip()}' is not an address or a range.", "Write addresses as 1-20,100."
            )
        first = int(match[1])
        end = int(match[2]) if match[2] else first
        for address in (first, end):
            if not FIRST_ADDRESS <= address <= last:
                raise InputError(
                    f"Address {address} is out of range.",
                    f"Modbus devices have addresses {FIRST_ADDRESS} to {last}; 0 is broadcast and "
                    "248 to 255 are reserved.",
                )
        if end < first:
            raise InputError(f"The range {part.strip()} runs backwards.", "Write it as 1-20.")
        found.update(dict.fromkeys(range(first, end + 1)))
    return tuple(found)
