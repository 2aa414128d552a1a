"""What was read on one step of a block."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathe.errors import CalibrationError

__all__ = ["StepReading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """The readings taken on one step.

    Attributes:
        thickness: of the step by the block's certificate, mm.
        u_thickness: its standard uncertainty, mm.
        time_of_flight: mean of the readings, µs.
        sd: standard deviation of a single reading, µs; 0 of a single one, which has none.
        readings: how many.
    """

    thickness: float
    u_thickness: float = 0.0
    time_of_flight: float
    sd: float = 0.0
    readings: int = 1

    def __post_init__(self) -> None:
        """Refuse what cannot have been read.

        Raises:
            CalibrationError: a value that cannot be; the text names the step.
        """
        if not (math.isfinite(self.thickness) and self.thickness > 0):
            msg = f"a step's thickness must be > 0 mm (got {self.thickness})"
            raise CalibrationError(msg)
        if self.readings < 1 or math.isnan(self.time_of_flight):
            msg = f"{self.label} has no reading: couple the probe on it and read it again"
            raise CalibrationError(msg)
        for name, value, unit in (
            ("uncertainty of its thickness", self.u_thickness, "mm"),
            ("time of flight", self.time_of_flight, "µs"),
            ("standard deviation", self.sd, "µs"),
        ):
            if not (math.isfinite(value) and value >= 0):
                msg = f"{self.label}: {name} must be >= 0 {unit} (got {value})"
                raise CalibrationError(msg)

    @property
    def label(self) -> str:
        """The step in words."""
        return f"step {self.thickness:g} mm"

    def u_time(self, resolution: float = 0.0) -> float:
        """Return the standard uncertainty of the mean time in µs.

        The scatter is averaged over the readings; the resolution (width of the last digit, µs,
        rectangular) is not, since a quiet reading shows the same digit every time.
        """
        return math.hypot(self.sd / math.sqrt(self.readings), resolution / math.sqrt(12))
