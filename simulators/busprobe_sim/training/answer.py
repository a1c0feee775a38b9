"""What a trainee states: causes, by the code of the finding, the address and the inputs."""

from __future__ import annotations

import re
from dataclasses import dataclass

from busprobe.model.device_text import visible
from busprobe.model.errors import InputError

_CLAIM = re.compile(
    r"(?P<code>[a-z][a-z0-9]*(-[a-z0-9]+)*)"
    r"(\s*@\s*(?P<address>\d{1,3}))?"
    r"(\s*[/:]\s*(?P<inputs>L[123](\s*\+\s*L[123])*))?"
)
_NOTHING = ("none", "nothing", "nothing-wrong")


@dataclass(frozen=True, slots=True)
class Claim:
    """One cause as it was stated.

    Attributes:
        code: Code of a finding.
        address: The address it concerns, None where none was stated.
        inputs: Inputs of the meter it concerns; empty where none was stated.
    """

    code: str
    address: int | None = None
    inputs: frozenset[str] = frozenset()

    def __str__(self) -> str:
        where = "" if self.address is None else f"@{self.address}"
        return f"{self.code}{where}" + (f"/{'+'.join(sorted(self.inputs))}" if self.inputs else "")


def parse_answer(text: str) -> tuple[Claim, ...]:
    """Parse "duplicate-address@1, ct-reversed@2/L1+L3"; "none" for a bus without a fault.

    What is stated twice counts once; inputs of the same code and address are put together.

    Raises:
        InputError: It is not of that form.
    """
    how = "Write causes as duplicate-address@1, ct-reversed@2/L3, or none."
    parts = [part.strip() for part in re.split(r"[,;\n]", text) if part.strip()]
    if not parts:
        raise InputError("The answer states nothing.", how)
    if len(parts) == 1 and parts[0].lower() in _NOTHING:
        return ()
    stated: dict[tuple[str, int | None], frozenset[str]] = {}
    for part in parts:
        match = _CLAIM.fullmatch(part)
        if match is None:
            raise InputError(f"'{visible(part)}' is not a cause.", how)
        if match["code"] in _NOTHING:
            raise InputError(f"'{match['code']}' stands beside other causes.", how)
        address = None if match["address"] is None else int(match["address"])
        if address is not None and not 1 <= address <= 247:
            raise InputError(f"Address {address} does not exist.", "Addresses go from 1 to 247.")
        inputs = frozenset(re.findall(r"L[123]", match["inputs"] or ""))
        key = match["code"], address
        stated[key] = stated.get(key, frozenset()) | inputs
    return tuple(Claim(code, address, inputs) for (code, address), inputs in stated.items())
