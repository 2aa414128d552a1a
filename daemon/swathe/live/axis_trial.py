"""Where an axis is by its device's counts, and what a known move of the probe shows about its scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.display_units import DisplayUnits
from swathe.pipeline.placing.encoder import CountsToPosition
from swathe.station import AxisSettings, Station, axis_source
from swathe_drivers import Decoder

__all__ = ["AxisTrial", "axis_lines", "plain_axis"]

_LEAST_COUNTS = 8
"""Fewer counts show neither a direction nor a scale."""

_LEAST_MM = 0.5
_SAME_SCALE = 0.05


def plain_axis(settings: AxisSettings) -> AxisSettings:
    """Return an axis whose positions are the counts as they are: no zero, no sign, no scale."""
    return settings.model_copy(
        update={
            "counts_per_mm": 1.0,
            "wheel": None,
            "reversed": False,
            "zero_count": 0.0,
            "zero_at": 0.0,
            "backlash": 0.0,
        }
    )


def axis_lines(
    station: Station, device: str, decoder: Decoder, counts: NDArray[np.float64]
) -> list[str]:
    """Return where each axis of a device is: in the unit shown, and its raw counts.

    Args:
        station: the station file.
        device: name of the device.
        decoder: of the device.
        counts: as they were sent, shape (n, axes), n > 0.
    """
    lines = []
    axes = (("scan", station.scan), ("index", station.index))
    for axis, settings in axes:
        if settings is None or settings.device is None:
            continue
        source, column = axis_source(axis, settings)
        if source != device or column not in decoder.axes:
            continue
        raw = counts[:, decoder.axes.index(column)].astype(np.float64)
        is_length = column in decoder.length_axes
        period = decoder.count_periods[column]
        place = CountsToPosition(settings, period=period, is_length=is_length).positions(raw)
        units = station.display
        sent = f"{raw[-1]:,.3f} mm" if is_length else f"{raw[-1]:,.0f} counts"
        text = f"{axis} {units.place_text(float(place[-1]), settings.resolution)} ({sent})"
        moved = float(np.ptp(place))
        if moved >= settings.resolution:
            text += f", moved by {units.place_text(moved, settings.resolution)} meanwhile"
        lines.append(text)
    return lines


@dataclass(frozen=True, slots=True)
class AxisTrial:
    """A move of the probe by a known length, and the counts before and after it.

    Attributes:
        axis: scan or index.
        settings: of the axis.
        moved: by how much the probe was moved, mm; negative against the positive direction.
        before: counts, roll-over undone, or mm where the device sends these.
        after: likewise.
        is_length: whether the device sends mm.
    """

    axis: str
    settings: AxisSettings
    moved: float
    before: float
    after: float
    is_length: bool

    @property
    def went(self) -> float:
        """By how much the axis moved as the station file has it, mm."""
        change = self.after - self.before
        change = change if self.is_length else change / self.settings.scale
        return -change if self.settings.reversed else change

    @property
    def problems(self) -> list[str]:
        """What the move contradicts in the station file, each with its remedy; none if it agrees."""
        change = abs(self.after - self.before)
        if change < (_LEAST_MM if self.is_length else _LEAST_COUNTS):
            return [
                f"{self.axis} hardly moved ({self.after - self.before:+,.0f} counts): is it this encoder?"
            ]
        found = []
        if (self.went > 0) != (self.moved > 0):
            now, wanted = (
                str(self.settings.reversed).lower(),
                str(not self.settings.reversed).lower(),
            )
            found.append(f"{self.axis} went the other way: set reversed = {wanted} (it is {now})")
        ratio = abs(self.went / self.moved)
        if abs(ratio - 1) > _SAME_SCALE:
            if self.is_length:
                found.append(f"{self.axis} is sent {ratio:.3g} times as long: is its unit right?")
            else:
                found.append(
                    f"{self.axis} has {change / abs(self.moved):.4g} counts per mm, not"
                    f" {self.settings.scale:.4g}: `swathe calibrate encoder` measures it"
                )
        return found

    def text(self, units: DisplayUnits) -> str:
        """Return what was moved and what came of it."""
        sent = self.after - self.before
        raw = f"{sent:+,.3f} mm sent" if self.is_length else f"{sent:+,.0f} counts"
        went, moved = (units.place_text(mm) for mm in (self.went, self.moved))
        return f"{self.axis} moved by {moved}: {raw}, {went} by the station file"
