"""What all scenario models have in common: strictness, and kinds of numbers."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field


def _ascending(value: tuple[float, float]) -> tuple[float, float]:
    if not value[0] < value[1]:
        raise ValueError("must be [from, to] with from < to")
    return value


Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Span = Annotated[tuple[Finite, Finite], AfterValidator(_ascending)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]


class Model(BaseModel):
    """Base of all scenario models: no unknown keys, no change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)
