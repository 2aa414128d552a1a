"""What was read on one step of a block."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from swathe.calibration.couplings import StepCoupling, coupling_scatter
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import CalibrationError

__all__ = ["StepReading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """The readings taken on one step.

    Attributes:
        thickness: of the step by the block's certificate, mm.
        u_thickness: its standard uncertainty, mm.
        time_of_flight: mean of the readings, µs; of several couplings the mean of their means.
        sd: standard deviation of a single reading while the probe is held, µs; 0 of a single
            reading, which has none.
        readings: how many, in all couplings.
        couplings: each of them; empty where the readings are those of one coupling.
    """

    thickness: float
    u_thickness: float = 0.0
    time_of_flight: float
    sd: float = 0.0
    readings: int = 1
    couplings: tuple[StepCoupling, ...] = ()

    @classmethod
    def of_couplings(
        cls, thickness: float, couplings: Sequence[StepCoupling], *, u_thickness: float = 0.0
    ) -> Self:
        """Return the reading of a step (mm) that was coupled once or several times.

        Raises:
            CalibrationError: no coupling, or a thickness that cannot be.
        """
        if not couplings:
            msg = f"step {thickness:g} mm has no reading: couple the probe on it and read it again"
            raise CalibrationError(msg)
        scatter = coupling_scatter([couplings])
        return cls(
            thickness=thickness,
            u_thickness=u_thickness,
            time_of_flight=math.fsum(one.time_of_flight for one in couplings) / len(couplings),
            sd=0.0 if math.isnan(scatter.within) else scatter.within,
            readings=sum(one.readings for one in couplings),
            couplings=tuple(couplings),
        )

    def __post_init__(self) -> None:
        """Refuse what cannot have been read.

        Raises:
            CalibrationError: a value that cannot be; the text names the step.
        """
        if not (math.isfinite(self.thickness) and self.thickness > 0):
            msg = f"a step's thickness must be > 0 mm (got {self.thickness})"
            raise CalibrationError(msg)
        if self.readings < 1 or math.isnan(self.time_of_flight):
            msg = f"{self.label()} has no reading: couple the probe on it and read it again"
            raise CalibrationError(msg)
        for name, value, unit in (
            ("uncertainty of its thickness", self.u_thickness, "mm"),
            ("time of flight", self.time_of_flight, "µs"),
            ("standard deviation", self.sd, "µs"),
        ):
            if not (math.isfinite(value) and value >= 0):
                msg = f"{self.label()}: {name} must be >= 0 {unit} (got {value})"
                raise CalibrationError(msg)

    def label(self, units: DisplayUnits = MILLIMETRES) -> str:
        """Return the step in words."""
        return f"step {units.stated_thickness_text(self.thickness)}"

    @property
    def each_coupling(self) -> tuple[StepCoupling, ...]:
        """The couplings; without a list of them, all readings as those of one."""
        return self.couplings or (
            StepCoupling(time_of_flight=self.time_of_flight, sd=self.sd, readings=self.readings),
        )
