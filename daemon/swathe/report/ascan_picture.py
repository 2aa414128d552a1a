"""An A-scan drawn as it was measured: trace, gates, thresholds, points, time of flight."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from numpy.typing import NDArray

from swathe.echo import AscanView, GateView

__all__ = ["plot_ascan"]

# Shapes tell the points apart as well as colours do.
_GATE_COLOURS = ("#c1121f", "#00798c", "#6a4c93", "#d55e00")
_MARKERS = "os^D"


def plot_ascan(
    axes: Axes, view: AscanView, raw: NDArray[Any], envelope: NDArray[Any] | None
) -> None:
    """Draw an A-scan with what was measured in it.

    Args:
        axes: empty axes.
        view: the A-scan.
        raw: as the instrument sent it, % of full screen height, shape (samples,).
        envelope: of the trace that is measured, shape (samples,); None for a rectified A-scan.
    """
    times = view.times
    if view.band_passed:
        axes.plot(times, raw, linewidth=0.7, color="#bbbbbb", label="as sent")
        axes.plot(times, view.trace, linewidth=1.1, color="#30638e", label="measured: band-passed")
    else:
        axes.plot(times, view.trace, linewidth=1.1, color="#30638e", label="measured: as sent")
    if envelope is not None:
        axes.plot(times, envelope, linewidth=0.8, color="#e69f00", label="envelope")
    for number, gate in enumerate(view.gates):
        colour = _GATE_COLOURS[number % len(_GATE_COLOURS)]
        _draw_gate(axes, gate, colour, _MARKERS[number % len(_MARKERS)])
    left = None
    if view.flight is not None:
        begin, end = view.flight
        bottom, top = axes.get_ylim()
        low = bottom - 0.05 * (top - bottom)
        axes.set_ylim(low - 0.05 * (top - bottom), top)
        # Its begin may be ahead of the samples: the axis reaches it, or the arrow comes from its edge.
        left = float(times[0])
        far = left - begin > 0.25 * float(times[-1] - times[0])
        left = left if far else min(left, begin)
        shown = max(begin, left)
        style = "->" if far else "<->"
        axes.annotate("", (end, low), (shown, low), arrowprops={"arrowstyle": style})
        axes.annotate(
            f"time of flight {end - begin:.4f} µs" + f", from {begin:g} µs" * far,
            ((shown + end) / 2, low),
            ha="center",
            va="bottom",
            fontsize=9,
        )
    axes.margins(x=0)
    if left is not None:
        axes.set_xlim(left=left)
    axes.set(xlabel="time from the transmitted pulse, µs", ylabel="% of full screen height")
    axes.legend(loc="upper right", fontsize=8)


def _draw_gate(axes: Axes, gate: GateView, colour: str, marker: str) -> None:
    """Draw a gate at its threshold, its point, and a second candidate in it."""
    name = gate.settings.name
    if gate.begin is not None and gate.end is not None:
        for number, level in enumerate(gate.levels):
            label = None if number else f"gate '{name}', {gate.settings.threshold:g} %"
            axes.plot(
                [gate.begin, gate.end],
                [level, level],
                "|-",
                color=colour,
                markersize=9,
                label=label,
            )
    if gate.time is not None and gate.level is not None:
        measure = str(gate.settings.measure).replace("_", " ")
        axes.axvline(gate.time, color=colour, linestyle="dotted", linewidth=0.8)
        axes.plot(
            gate.time,
            gate.level,
            marker,
            color=colour,
            markersize=8,
            markerfacecolor="none",
            markeredgewidth=1.8,
            label=f"{measure} in '{name}': {gate.time:.4f} µs",
        )
    if gate.second_time is not None:
        axes.axvline(gate.second_time, color=colour, linestyle="dashed", linewidth=1.0)
        axes.plot(
            gate.second_time,
            gate.levels[0],
            "x",
            color=colour,
            markersize=10,
            markeredgewidth=2,
            label=f"other echo in '{name}': {gate.second_time:.4f} µs",
        )
