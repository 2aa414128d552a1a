"""The last minute of a gauge's values in characters: how they rise, fall and fail to come."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from rich.text import Text

from swathe.board.ascan_drawing import characters_of
from swathe.display_units import DisplayUnits
from swathe.pipeline.gauge_state import STRIP_SECONDS, StripColumn

__all__ = ["draw_strip"]

_MARGIN = 9
_DOTS_ACROSS, _DOTS_DOWN = 2, 4
# Values that differ by less are drawn as a flat line in the middle, mm or µs.
_MIN_SPAN = {"mm": 0.2, "µs": 0.1}
_NO_ECHO = "×"


def draw_strip(
    strip: Sequence[StripColumn | None],
    *,
    unit: str,
    display: DisplayUnits,
    width: int,
    height: int,
) -> list[Text]:
    """Return the values in `height` lines of at most `width` characters; the newest ones are right.

    Each half second is a column of dots from its lowest to its highest value. The line below has a
    ``×`` where readings without an echo came; where nothing is drawn nothing came.

    Args:
        strip: columns of half a second, the newest last.
        unit: of the values, ``mm`` or ``µs``.
        display: the unit of thickness that is read.
        width: characters, 30 at least.
        height: lines, 4 at least.
    """
    across = min(max(width - _MARGIN, 20), len(strip) // _DOTS_ACROSS)
    down = max(height - 2, 2)
    shown = strip[-across * _DOTS_ACROSS :]
    lows = np.array([np.nan if c is None or c.low is None else c.low for c in shown], np.float64)
    highs = np.array([np.nan if c is None or c.high is None else c.high for c in shown], np.float64)
    dots = np.zeros((down * _DOTS_DOWN, len(shown)), np.bool_)
    names = ["", ""]
    if np.isfinite(lows).any():
        low, high = float(np.nanmin(lows)), float(np.nanmax(highs))
        if (missing := _MIN_SPAN[unit] - (high - low)) > 0:
            low, high = low - missing / 2, high + missing / 2
        names = [_name(high, unit, display), _name(low, unit, display)]
        rows = np.arange(dots.shape[0])[:, None]
        scale = (dots.shape[0] - 1) / (high - low)
        with np.errstate(invalid="ignore"):
            dots = (rows >= np.rint((high - highs) * scale)) & (
                rows <= np.rint((high - lows) * scale)
            )
    lines: list[Text] = []
    for row, cells in enumerate(characters_of(dots)):
        name = names[0] if row == 0 else names[1] if row == down - 1 else ""
        line = Text(f"{name:>{_MARGIN - 1}}{'┤' if name else '│'}", style="dim", no_wrap=True)
        line.append("".join(cells), "cyan")
        lines.append(line)
    failed = [
        any(c is not None and c.invalid for c in shown[k : k + _DOTS_ACROSS])
        for k in range(0, len(shown), _DOTS_ACROSS)
    ]
    line = Text(f"{'no echo':>{_MARGIN - 1}}│", style="dim", no_wrap=True)
    line.append("".join(_NO_ECHO if one else " " for one in failed), "bold red")
    lines.append(line)
    seconds = len(shown) * STRIP_SECONDS / len(strip)
    ends = f"{f'{seconds:g} s ago':<{max(across - 3, 0)}}now"
    lines.append(
        Text(
            " " * _MARGIN + ends[-across:] if across < len(ends) else " " * _MARGIN + ends,
            style="dim",
            no_wrap=True,
        )
    )
    return lines


def _name(value: float, unit: str, display: DisplayUnits) -> str:
    return display.thickness_text(value) if unit == "mm" else f"{value:.3f} µs"
