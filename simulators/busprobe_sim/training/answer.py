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
        others: What it may be as well: one of all these, and the evidence leaves open which.
    """

    code: str
    address: int | None = None
    inputs: frozenset[str] = frozenset()
    others: tuple[Claim, ...] = ()

    def __str__(self) -> str:
        where = "" if self.address is None else f"@{self.address}"
        inputs = f"/{'+'.join(sorted(self.inputs))}" if self.inputs else ""
        return "|".join((f"{self.code}{where}{inputs}", *map(str, self.others)))

    @property
    def choices(self) -> tuple[Claim, ...]:
        """Everything that it may be; one where nothing was left open."""
        return (Claim(self.code, self.address, self.inputs), *self.others)


def parse_answer(text: str) -> tuple[Claim, ...]:
    """Parse "duplicate-address@1, ct-reversed@2/L1+L3"; "none" for a bus without a fault.

    What is stated twice counts once; inputs of the same code and address are put together.
    "device-silent@2|swapped-pair@2" leaves open which of the two it is.

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
    left_open: list[Claim] = []
    for part in parts:
        if "|" in part:
            first, *others = dict.fromkeys(_claim(p.strip(), how) for p in part.split("|"))
            left_open.append(Claim(first.code, first.address, first.inputs, tuple(others)))
            continue
        claim = _claim(part, how)
        key = claim.code, claim.address
        stated[key] = stated.get(key, frozenset()) | claim.inputs
    plain = (Claim(code, address, inputs) for (code, address), inputs in stated.items())
    return (*plain, *dict.fromkeys(left_open))


def _claim(text: str, how: str) -> Claim:
    match = _CLAIM.fullmatch(text)
    if match is None:
        raise InputError(f"'{visible(text)}' is not a cause.", how)
    if match["code"] in _NOTHING:
        raise InputError(f"'{match['code']}' stands beside other causes.", how)
    address = None if match["address"] is None else int(match["address"])
    if address is not None and not 1 <= address <= 247:
        raise InputError(f"Address {address} does not exist.", "Addresses go from 1 to 247.")
    return Claim(match["code"], address, frozenset(re.findall(r"L[123]", match["inputs"] or "")))
