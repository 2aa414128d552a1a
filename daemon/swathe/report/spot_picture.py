"""The spots of a survey as points: measured values with their nominal ones, and what is not there.

No line joins two spots: nothing was measured between them.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from swathe.pipeline import SpotSnapshot, SpotState
from swathe.store import SurveyRecord

__all__ = ["draw_spots"]

# So many names fit below the axis.
_MOST_NAMES = 60
# Where a spot without a value is shown, as a share of the height.
_NO_VALUE = 0.03
_MARKS = {
    "not done": ("x", "#c1121f"),
    "jumpy, not done": ("^", "#d55e00"),
    "no reading possible": ("s", "#666666"),
}


def draw_spots(axes: Axes, record: SurveyRecord) -> None:
    """Draw the spots of a record over their numbers; a thinner wall is drawn lower."""
    units = record.display
    done = [spot for spot in record.spots if spot.value is not None]
    sound = [spot for spot in done if not spot.suspect]
    suspect = [spot for spot in done if spot.suspect]
    for spots, marker, colour, label in (
        (sound, "o", "#30638e", "thickness"),
        (suspect, "D", "#cc79a7", "SUSPECT by a failed check"),
    ):
        if spots:
            values = [units.length(spot.value or 0.0) for spot in spots]
            axes.plot(_numbers(spots), values, marker, color=colour, label=label)
    nominal = [spot for spot in record.spots if spot.nominal is not None]
    if nominal:
        values = [units.length(spot.nominal or 0.0) for spot in nominal]
        axes.plot(_numbers(nominal), values, "_", color="#888888", label="nominal", markersize=10)
    if len(done) < len(record.spots):
        axes.fill_between(
            [0, 1], 0, 2 * _NO_VALUE, transform=axes.transAxes, color="#eeeeee", label="no value"
        )
    for label, (marker, colour) in _MARKS.items():
        if spots := [spot for spot in record.spots if _without_value(spot) == label]:
            axes.plot(
                _numbers(spots),
                np.full(len(spots), _NO_VALUE),
                marker,
                color=colour,
                label=label,
                transform=axes.get_xaxis_transform(),
            )
    if len(record.spots) <= _MOST_NAMES:
        names = [spot.name for spot in record.spots]
        axes.set_xticks(_numbers(list(record.spots)), names, rotation=90, fontsize=8)
    axes.set_xlim(0.5, len(record.spots) + 0.5)
    axes.grid(axis="y", alpha=0.3)
    axes.legend(loc="upper right")
    axes.set(title="Spots", xlabel="spot", ylabel=f"thickness, {units.length_name}")


def _numbers(spots: list[SpotSnapshot]) -> list[int]:
    return [spot.number for spot in spots]


def _without_value(spot: SpotSnapshot) -> str:
    """Return why a spot has no value; empty where it has one."""
    if spot.value is not None:
        return ""
    if spot.state is SpotState.CLOSED:
        return "no reading possible"
    return "jumpy, not done" if spot.state is SpotState.JUMPY else "not done"
