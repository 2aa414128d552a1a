"""Types that every module shares: arrays, and the base and the numbers of scenario models."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def _ascending(value: tuple[float, float]) -> tuple[float, float]:
    if not value[0] < value[1]:
        raise ValueError("must be [from, to] with from < to")
    return value


Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Interval = Annotated[tuple[Finite, Finite], AfterValidator(_ascending)]
DeviceName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]


class ScenarioModel(BaseModel):
    """Base of all scenario models: no unknown keys, no change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)
