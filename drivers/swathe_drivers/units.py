"""Units of what devices send, and how they become this package's own: ns, µs, mm, percent."""

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

TimeUnit = Literal["ns", "us", "ms", "s"]
LengthUnit = Literal["mm", "in", "thou"]

TIME_POWERS: Final = {"ns": 0, "us": 3, "ms": 6, "s": 9}
"""Power of ten that turns a unit of time into ns."""

MAX_VALUE: Final = 1e30
"""No value may be larger, so that none overflows when its unit changes or as a float32."""

_SCALES: Final[dict[str, tuple[float, float]]] = {
    "ns": (1.0, 1000.0),
    "us": (1.0, 1.0),
    "ms": (1000.0, 1.0),
    "s": (1e6, 1.0),
    "mm": (1.0, 1.0),
    "in": (25.4, 1.0),
    "thou": (25.4, 1000.0),
    "%": (1.0, 1.0),
    "fraction": (100.0, 1.0),
}


def scaled(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    """Values in `unit` turned into µs, mm or percent."""
    times, over = _SCALES[unit]
    if times != 1.0:
        values = values * times
    return values if over == 1.0 else values / over
