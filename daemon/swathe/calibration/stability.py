"""Whether the probe sits still and well coupled: the latest readings agree and do not drift."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from swathe.calibration.line_fit import fit_line
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import CalibrationError

__all__ = ["Stability", "StabilityState"]

# A drift counts when it is no chance (three standard errors) and worth half the tolerance.
_SURE = 3.0
_WORTH = 0.5
_MIN_WINDOW = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityState:
    """Whether the latest readings agree; times in µs.

    Attributes:
        stable: whether they can be taken as one step's reading.
        readings: how many there are, at most the window.
        mean: of them; NaN without any.
        sd: standard deviation; NaN of fewer than two.
        spread: maximum less minimum; NaN without any.
        drift: rise over the window along the line that fits best; NaN until the window is full.
        reason: why it is not stable, in words; empty when it is.
    """

    stable: bool
    readings: int
    mean: float
    sd: float
    spread: float
    drift: float
    reason: str


class Stability:
    """Watches times of flight as they arrive.

    Args:
        window: valid readings that must agree, 3 or more.
        tolerance: greatest spread among them, µs.
        unit: of what is fed, µs, or mm of an instrument that sends thickness.
        display: in which thicknesses are written.

    Raises:
        CalibrationError: a window or a tolerance that cannot be.
    """

    def __init__(
        self,
        *,
        window: int,
        tolerance: float,
        unit: str = "µs",
        display: DisplayUnits = MILLIMETRES,
    ) -> None:
        if window < _MIN_WINDOW:
            msg = f"'window' must be {_MIN_WINDOW} readings or more (got {window})"
            raise CalibrationError(msg)
        if not (math.isfinite(tolerance) and tolerance > 0):
            msg = f"'tolerance' must be > 0 {unit} (got {tolerance})"
            raise CalibrationError(msg)
        self._window = window
        self._tolerance = tolerance
        self._unit = unit
        self._display = display
        self._latest: deque[float] = deque(maxlen=window)

    def clear(self) -> None:
        """Forget the readings: the probe is moved to another step."""
        self._latest.clear()

    def feed(self, time_of_flight: ArrayLike) -> StabilityState:
        """Take in times of flight in µs in the order of arrival and return the state.

        NaN is a reading without echo and is passed over.
        """
        times = np.atleast_1d(np.asarray(time_of_flight, np.float64))
        self._latest.extend(times[np.isfinite(times)][-self._window :].tolist())
        return self.state

    @property
    def state(self) -> StabilityState:
        """State of the latest readings."""
        times = np.array(self._latest, np.float64)
        n = times.size
        mean = float(times.mean()) if n else math.nan
        spread = float(times.max() - times.min()) if n else math.nan
        drift, reason = math.nan, ""
        if n < self._window:
            reason = f"{n} of {self._window} readings are in"
        else:
            line = fit_line(np.arange(n), times)
            drift = line.slope * (n - 1)
            sure = abs(line.slope) > _SURE * line.u_slope
            # The rounding of equal times must not decide on a spread that is just the tolerance.
            if spread > self._tolerance * (1 + 1e-9):
                reason = (
                    f"the last {n} readings spread over {self._text(spread)}, more than "
                    f"{self._limit_text()}: hold the probe still and look at the couplant"
                )
            elif sure and abs(drift) > _WORTH * self._tolerance:
                reason = (
                    f"the last {n} readings drift by {self._text(drift, sign=True)}: "
                    "wait until the couplant film has settled"
                )
        return StabilityState(
            stable=not reason,
            readings=n,
            mean=mean,
            sd=float(times.std(ddof=1)) if n > 1 else math.nan,
            spread=spread,
            drift=drift,
            reason=reason,
        )

    def _text(self, value: float, *, sign: bool = False) -> str:
        if self._unit == "mm":
            return self._display.with_unit(self._display.number(value, 4, sign=sign))
        return f"{value:{'+' if sign else ''}.4f} {self._unit}"

    def _limit_text(self) -> str:
        if self._unit == "mm" and not self._display.is_metric:
            return self._display.stated_text(self._tolerance)
        return f"{self._tolerance:.3g} {self._unit}"
