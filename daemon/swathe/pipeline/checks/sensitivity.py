"""Sensitivity checks: the height of a reference echo, next to the height that it was set to.

The readings of the reference echo are the newest ones of the gauge when the check is made. They count
if they agree with one another; their mean height is journalled, and the verdict is evaluated here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from swathe.echo import deviation_db
from swathe.errors import SwatheError
from swathe.pipeline.placing.newest_readings import NEWEST_READINGS, NewestReadings
from swathe.reading_flags import ReadingFlag
from swathe.station import SensitivitySettings

__all__ = ["ReferenceEcho", "SensitivityCheck", "reference_echo"]

# The converter's end of the range; what is higher is not measured.
_CLIPPED = 100.0
# The rounding of a decimal height must not decide on a deviation that is exactly the tolerance.
_SLACK_DB = 1e-9


@dataclass(frozen=True, slots=True)
class ReferenceEcho:
    """A reference echo that is steady.

    Attributes:
        height: mean of its readings, % of full screen height.
        spread: from its lowest to its highest reading, dB.
        readings: their number.
    """

    height: float
    spread: float
    readings: int

    def detail(self, settings: SensitivitySettings) -> dict[str, Any]:
        """Return the result as the journal and the set-up log keep it, but for who checked."""
        return {
            "measured": self.height,
            "reference": settings.reference,
            "tolerance": settings.tolerance,
            "spread": self.spread,
            "readings": self.readings,
            "block": settings.block,
            "step": settings.step,
        }


def reference_echo(
    newest: NewestReadings, *, since: int, spread: float, source: int | None = None
) -> ReferenceEcho:
    """Return the echo that the newest readings show, once they agree.

    Args:
        newest: readings of the gauge.
        since: journal time, ns, before which none counts.
        spread: greatest difference among them, dB.
        source: the input of the device that the probe is on; all by default.

    Raises:
        SwatheError: they do not show one; the text gives the reason.
    """
    readings, known = newest.all_of_input(source)
    readings = readings[known >= since]
    if readings.size < NEWEST_READINGS:
        msg = f"{readings.size} of {NEWEST_READINGS} readings are in"
        raise SwatheError(msg)
    heights = readings["amplitude"].astype(np.float64)
    if not np.isfinite(heights).any():
        msg = "the instrument sends no amplitude: its sensitivity cannot be checked here"
        raise SwatheError(msg)
    if not readings["valid"].all() or not (heights > 0).all():
        lost = int(np.count_nonzero(~(readings["valid"] & (heights > 0))))
        msg = f"{lost} of {readings.size} readings have no echo: look at couplant and gate"
        raise SwatheError(msg)
    low, high = float(heights.min()), float(heights.max())
    clipped = bool((readings["flags"] & ReadingFlag.CLIPPED).any())
    if clipped or high >= _CLIPPED:
        msg = f"the echo is {high:.0f} % of full screen height and may be clipped: lower the gain"
        raise SwatheError(msg)
    found = deviation_db(high, low)
    if found > spread + _SLACK_DB:
        msg = (
            f"the readings differ by {found:.1f} dB, more than {spread:g} dB: hold the probe still"
        )
        raise SwatheError(msg)
    return ReferenceEcho(math.fsum(heights.tolist()) / readings.size, found, readings.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityCheck:
    """A sensitivity check.

    Attributes:
        time: when it was made, ns UTC.
        by: who made it.
        measured: height of the echo, % of full screen height.
        reference: height that it is set to, likewise.
        tolerance: greatest deviation that passes, dB.
        spread: of its readings, dB.
        readings: their number.
        block: that gave the echo; empty where none is named.
        step: of the block, mm; None where none is named.
        probe: name of the probe, of several; empty for the only one.
        before_run: whether it was made in the set-up view, before the run in whose journal it is.
    """

    time: int
    by: str
    measured: float
    reference: float
    tolerance: float
    spread: float
    readings: int
    block: str
    step: float | None
    probe: str = ""
    before_run: bool = False

    @property
    def deviation(self) -> float:
        """Deviation from the reference height, dB; see `deviation_db`."""
        return deviation_db(self.measured, self.reference)

    @property
    def passed(self) -> bool:
        """Whether the deviation is within the tolerance."""
        return abs(self.deviation) <= self.tolerance + _SLACK_DB

    @classmethod
    def from_detail(cls, detail: dict[str, Any], time: int) -> SensitivityCheck:
        """Return the check that a mark's detail describes.

        Args:
            detail: of the mark.
            time: of the mark, ns UTC; a check from the set-up view has a time of its own.
        """
        made, step = detail.get("made"), detail.get("step")
        return cls(
            time=time if made is None else int(made),
            by=str(detail["by"]),
            measured=float(detail["measured"]),
            reference=float(detail["reference"]),
            tolerance=float(detail["tolerance"]),
            spread=float(detail["spread"]),
            readings=int(detail["readings"]),
            block=str(detail["block"]),
            step=None if step is None else float(step),
            probe=str(detail.get("probe_name", "")),
            before_run=made is not None,
        )
