"""Fields of a form: what each is called, what may be written in it, and what to do if it is not.

Pure: a form is checked without a screen, and the screens only draw it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from busprobe.model.addresses import parse_addresses
from busprobe.model.errors import InputError


def _as_it_is(text: str) -> object:
    return text


@dataclass(frozen=True, slots=True)
class FormField:
    """A field of a form.

    Attributes:
        name: Its name; unique among the fields of a form, and the id of its widget.
        label: What stands before it.
        about: What it is for, in one or two sentences; shown while the keys go there.
        default: What stands in it at first.
        placeholder: What is shown while it is empty.
        choices: Label and value of each choice; empty for a field to type in.
        parse: Turns what was typed into a value.
    """

    name: str
    label: str
    about: str
    default: str = ""
    placeholder: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    parse: Callable[[str], object] = _as_it_is

    def value(self, texts: Mapping[str, str]) -> object:
        """What is written in it, as a value.

        Raises:
            InputError: It makes no sense.
        """
        return self.parse(self.text(texts))

    def text(self, texts: Mapping[str, str]) -> str:
        """What is written in it."""
        return texts.get(self.name, self.default).strip()


def number(
    least: float,
    most: float = math.inf,
    *,
    unit: str = "",
    whole: bool = False,
    empty: bool = False,
) -> Callable[[str], float | None]:
    """A parser of numbers.

    Args:
        least: The smallest that is taken.
        most: The greatest that is taken.
        unit: Its unit, for the words of a mistake.
        whole: Only whole numbers.
        empty: Nothing may be written: then the value is None.
    """

    def parse(text: str) -> float | None:
        if not text and empty:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not least <= value <= most or (whole and value != int(value)):
            kind = "whole number" if whole else "number"
            reach = f"from {least:g} to {most:g}" if most < math.inf else f"of at least {least:g}"
            what = f"Write a {kind} {reach}{f' {unit}' if unit else ''}."
            if empty:
                what = f"{what[:-1]}, or leave it empty."
            raise InputError(
                f"'{text}' does not fit here." if text else "Nothing stands here.", what
            )
        return value

    return parse


def addresses(text: str) -> tuple[int, ...]:
    """Addresses as 1-32,100; none when it is empty.

    Raises:
        InputError: It names no addresses.
    """
    return parse_addresses(text) if text else ()


def file(text: str) -> Path | None:
    """A file, None when it is empty."""
    return Path(text).expanduser() if text else None


def existing_file(text: str) -> Path | None:
    """A file that is there, None when it is empty.

    Raises:
        InputError: There is no such file.
    """
    path = file(text)
    if path is not None and not path.is_file():
        raise InputError(f"There is no file {path}.", "Correct the name, or leave it empty.")
    return path


def existing_files(text: str) -> tuple[Path, ...]:
    """Files that are there, separated by commas.

    Raises:
        InputError: One of them is not there.
    """
    parts = [part.strip() for part in text.split(",")]
    found = (existing_file(part) for part in parts if part)
    return tuple(path for path in found if path is not None)


def new_file(text: str) -> Path | None:
    """A file to be written, None when it is empty.

    Raises:
        InputError: Its folder is not there.
    """
    path = file(text)
    if path is not None and not path.parent.is_dir():
        raise InputError(f"There is no folder {path.parent}.", "Make it, or choose another one.")
    return path


def mistakes(fields: tuple[FormField, ...], texts: Mapping[str, str]) -> dict[str, InputError]:
    """What is wrong in the fields of a form, by name of the field."""
    found = {}
    for field in fields:
        try:
            field.value(texts)
        except InputError as error:
            found[field.name] = error
    return found
