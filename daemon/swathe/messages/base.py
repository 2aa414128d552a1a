"""What every message is made of."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

__all__ = ["Message", "Model", "finite", "moment", "rounded"]


def moment(time_ns: int) -> datetime:
    """Return ns since 1970 as a UTC time, to the microsecond."""
    seconds, nanoseconds = divmod(time_ns, 1_000_000_000)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=nanoseconds // 1000)


class Model(BaseModel):
    """A message or a part of one: strict, frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Message(Model):
    """What every message tells."""

    version: Literal[1] = 1
    station: str
    survey: str = Field(description="identity of the survey, new for each new survey")
    time: AwareDatetime


def finite(value: float, digits: int) -> float | None:
    """Return a number rounded, or None for NaN and infinity, which JSON has no word for."""
    return round(value, digits) if math.isfinite(value) else None


def rounded(value: float | None, digits: int) -> float | None:
    """Return a number rounded, if there is one."""
    return None if value is None else round(value, digits)
