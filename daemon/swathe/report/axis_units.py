"""Axes that are drawn in mm and labelled in the unit of the operator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import AutoLocator, FuncFormatter

from swathe.display_units import DisplayUnits

__all__ = ["scale_axes"]


class _UnitLocator(AutoLocator):
    """Places ticks at round numbers of a unit.

    Args:
        mm_per_unit: millimetres per unit.
    """

    def __init__(self, mm_per_unit: float) -> None:
        super().__init__()
        self._mm_per_unit = mm_per_unit

    def tick_values(self, vmin: float, vmax: float) -> Sequence[float]:
        """Return the ticks between two positions, mm."""
        scale = self._mm_per_unit
        ticks = np.asarray(super().tick_values(vmin / scale, vmax / scale))
        return [float(tick) for tick in ticks * scale]


def scale_axes(axes: Axes, units: DisplayUnits) -> None:
    """Label both axes, on which lengths in mm are drawn, at round numbers of the unit shown."""
    if units.is_metric:
        return
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(_UnitLocator(units.mm_per_unit))
        axis.set_major_formatter(FuncFormatter(lambda mm, _: f"{round(units.length(mm), 6):.10g}"))
