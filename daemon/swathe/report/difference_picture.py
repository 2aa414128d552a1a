"""The picture of a comparison: where the wall reads thinner or thicker, and where that is significant."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Patch

from swathe.arrays import Floats
from swathe.comparison import Comparison, PairComparison
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import SurveyError
from swathe.report.axis_units import scale_axes
from swathe.report.styles import MEASURED_ONLY

__all__ = ["difference_colours", "draw_comparison", "draw_differences"]

# CIELAB of the ends and the middle: from one to the next in equal steps of lightness and hue, so that equal
# differences look equally different, in black and white as well, where the hatches tell the sign.
_THINNER: Final = (38.0, 42.0, 46.0)
_MIDDLE: Final = (96.0, 0.0, 0.0)
_THICKER: Final = (38.0, 2.0, -48.0)
_MOST_POINTS: Final = 1200
_WIDE: Final = 1.6
_SHARE: Final = 99.0


def draw_comparison(found: Comparison, path: Path) -> Path:
    """Draw the latest pair of a comparison as PNG; return its path.

    Raises:
        SurveyError: it cannot be written.
    """
    pair = found.latest
    record = found.surveys[-1].record
    units = MILLIMETRES if record is None else record.display
    shape = pair.differences.values.shape
    wide = shape[1] * pair.differences.later.scan.resolution > _WIDE * (
        shape[0] * pair.differences.later.index.resolution
    )
    figure = Figure(figsize=(12, 6) if wide else (9, 8), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    if shape[0] == 1:
        _draw_profile(axes, pair, units)
    else:
        image = draw_differences(axes, pair, units)
        bar = figure.colorbar(image, ax=axes, location="bottom" if wide else "right", shrink=0.8)
        bar.set_label(f"later less earlier thickness, {units.length_words}; below 0: thinner")
        ticks = np.linspace(*image.get_clim(), 7)
        bar.set_ticks(ticks.tolist(), labels=[units.number(t, 2, 3, sign=True) for t in ticks])
    part = "" if record is None else record.part or record.station
    later, earlier = found.surveys[-1], found.surveys[-2]
    axes.set_title(
        f"{part}: {later.moment:%Y-%m-%d} less {earlier.moment:%Y-%m-%d}, {pair.years:.2f} years",
        fontsize=11,
    )
    unverified = [one.name for one in found.surveys if one.unverified]
    note = f"NOT VERIFIED: {', '.join(unverified)}\n" if unverified else ""
    figure.text(0.5, -0.04, note + MEASURED_ONLY, ha="center", fontsize=9)
    try:
        figure.savefig(path, dpi=110, bbox_inches="tight", format="png")
    except OSError as error:
        raise SurveyError(path, f"cannot be written: {error.strerror}") from error
    return path


def draw_differences(axes: Axes, pair: PairComparison, units: DisplayUnits) -> AxesImage:
    """Draw the map of differences on axes: colours by their size, hatches where they are significant.

    Args:
        axes: to draw on, in mm, labelled in the unit shown.
        pair: the comparison.
        units: in which lengths are shown.
    """
    one = pair.differences
    step = tuple(max(1, -(-size // _MOST_POINTS)) for size in one.values.shape)
    values = _strongest(one.values, step)
    limit = float(np.nanpercentile(np.abs(one.values), _SHARE)) or 0.01
    scan, index = one.later.scan, one.later.index
    extent = (*scan.edges(0, scan.cells - 1), *index.edges(0, index.cells - 1)[::-1])
    axes.set_facecolor("#b9b9b9")
    image = axes.imshow(
        np.ma.masked_invalid(values),
        extent=extent,
        interpolation="nearest",
        aspect="equal",
        cmap=difference_colours(),
        vmin=-limit,
        vmax=limit,
    )
    handles = [Patch(facecolor="#b9b9b9", label="not compared")]
    for mask, hatch, words in (
        (pair.loss, "////", "significant loss"),
        (pair.growth, "oo", "significant growth: of the measurement"),
    ):
        if not mask.any():
            continue
        marked = _strongest(np.where(mask, 1.0, 0.0), step)
        axes.contourf(
            marked,
            levels=[0.5, 1.5],
            colors="none",
            hatches=[hatch],
            extent=extent,
            origin="upper",
        )
        handles.append(Patch(facecolor="white", edgecolor="black", hatch=hatch, label=words))
    axes.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=3, fontsize=9
    )
    axes.set_xlabel(f"scan axis, {units.length_words}")
    axes.set_ylabel(f"index axis, {units.length_words}")
    scale_axes(axes, units)
    return image


def difference_colours(steps: int = 128) -> ListedColormap:
    """Return the colours of differences, from the strongest loss to the strongest growth.

    From CIELAB with the white point D65 to sRGB, by IEC 61966-2-1 and CIE 15; from memory.
    """
    share = np.linspace(0, 1, steps)[:, None]
    thinner, middle, thicker = (np.array(each) for each in (_THINNER, _MIDDLE, _THICKER))
    lab = np.concatenate(
        [thinner + share * (middle - thinner), (middle + share * (thicker - middle))[1:]]
    )
    y = (lab[:, 0] + 16) / 116
    f = np.stack([y + lab[:, 1] / 500, y, y - lab[:, 2] / 200], axis=1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    xyz *= (0.95047, 1.0, 1.08883)
    to_rgb = np.array(
        [
            [3.2406, -1.5372, -0.4986],
            [-0.9689, 1.8758, 0.0415],
            [0.0557, -0.2040, 1.0570],
        ]
    )
    linear = np.clip(xyz @ to_rgb.T, 0, 1)
    rgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return ListedColormap(np.clip(rgb, 0, 1).tolist(), name="difference")


def _draw_profile(axes: Axes, pair: PairComparison, units: DisplayUnits) -> None:
    """Draw the differences along a line with their intervals."""
    one = pair.differences
    scan, values = one.later.scan.centres, one.values[0]
    if not one.missing:
        half = 1.96 * one.standard[0]
        axes.fill_between(
            scan, values - half, values + half, color="#cfe3ee", label="95 % of each cell"
        )
        axes.plot(
            scan[pair.loss[0]], values[pair.loss[0]], "v", color="black", label="significant loss"
        )
        axes.plot(
            scan[pair.growth[0]], values[pair.growth[0]], "o", color="black", markerfacecolor="white",
            label="significant growth: of the measurement",
        )  # fmt: skip
    axes.plot(scan, values, color="#2166ac", linewidth=1, label="later less earlier thickness")
    axes.axhline(0, color="#555555", linewidth=0.8)
    axes.legend(fontsize=9)
    axes.set_xlabel(f"scan axis, {units.length_words}")
    axes.set_ylabel(f"difference, {units.length_words}")
    scale_axes(axes, units)


def _strongest(values: Floats, step: tuple[int, ...]) -> Floats:
    """Return of each block of cells the value that is farthest from 0: no loss is thinned out."""
    if step == (1, 1):
        return values
    rows, columns = (-(-size // each) for size, each in zip(values.shape, step, strict=True))
    padded = np.full((rows * step[0], columns * step[1]), np.nan)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks = (
        padded.reshape(rows, step[0], columns, step[1]).swapaxes(1, 2).reshape(rows, columns, -1)
    )
    size = np.where(np.isfinite(blocks), np.abs(blocks), -1.0)
    return np.take_along_axis(blocks, size.argmax(axis=2)[:, :, None], axis=2)[:, :, 0]
