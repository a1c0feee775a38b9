"""What every part of a report's content is made of: safe texts, finite numbers, fixed words."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from busprobe.model.device_text import visible

# Sentences, not books.
_LONGEST_TEXT = 4_000


def _safe(text: str) -> str:
    return visible(text, _LONGEST_TEXT)


SafeText = Annotated[str, AfterValidator(_safe)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
OutcomeWord = Literal["PASS", "FAIL", "NOT TESTED", "NOT APPLICABLE"]
ResultWord = Literal["PASS", "FAIL", "INCOMPLETE"]
DuplicateWord = Literal["single", "duplicate", "undecided"]
DefectState = Literal["open", "not found again"]
State = Literal["as-found", "as-left"]


class Part(BaseModel):
    """Base of every part: immutable, nothing unexpected."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)
