"""Axes drawn in mm: ticks at round numbers of the unit that is shown."""

from __future__ import annotations

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from swathe.display_units import INCHES, MILLIMETRES, DisplayUnits
from swathe.report.axis_units import scale_axes


def _labels(units: DisplayUnits) -> list[str]:
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.set_xlim(0.0, 10 * 25.4)
    scale_axes(axes, units)
    figure.canvas.draw()
    return [label.get_text() for label in axes.get_xticklabels()]


def test_ticks_are_round_in_the_unit_shown() -> None:
    """Ten inches have ticks at whole inches, and as mm at whole tens of mm."""
    assert _labels(INCHES) == ["0", "2", "4", "6", "8", "10"]
    assert _labels(MILLIMETRES)[:6] == ["0", "50", "100", "150", "200", "250"]
