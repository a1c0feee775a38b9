"""What the parts of a scenario file have in common."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from busprobe.model.line import LineSettings, Parity


class Part(BaseModel):
    """A part of a scenario file: nothing unknown, nothing changed later."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False
    )


def line_settings(text: str) -> LineSettings:
    """Parse settings as they are spoken: "9600 8N1".

    Raises:
        ValueError: Not of that form.
        InputError: A rate that cannot be.
    """
    match = re.fullmatch(r"(\d{2,7}) 8([NEO])([12])", text)
    if match is None:
        raise ValueError('must be a rate and a format such as "9600 8N1"')
    return LineSettings(int(match[1]), Parity(match[2]), int(match[3]))


def _checked_settings(text: str) -> str:
    line_settings(text)
    return text


Settings = Annotated[str, AfterValidator(_checked_settings)]
Address = Annotated[int, Field(ge=1, le=247)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Rate = Annotated[float, Field(ge=0, le=1)]
