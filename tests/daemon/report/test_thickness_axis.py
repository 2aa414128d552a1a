"""Colours and axes of thickness: the same in every picture, and nothing beyond them is hidden."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from matplotlib import colormaps
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from daemon.handmade import opened, station_text
from support.page import PlayedSource
from swathe.display_units import MILLIMETRES
from swathe.page.plan import viewer_plan
from swathe.pipeline import Pipeline
from swathe.report.picture import draw_survey
from swathe.report.thickness_axis import (
    beyond_text,
    colours_of,
    draw_scale,
    mark_beyond,
    outline_thin,
    recorded_scale,
)
from swathe.station import ThicknessScale, parse_station
from swathe.store import SurveyFolder, record_of, write_derived

SCALE = ThicknessScale(4.0, 16.0, 14.0, 8.0)
LEVELS = 'nominal_thickness = "14 mm"\nalert_below = "8 mm"'


def test_page_has_the_colours_of_the_pictures() -> None:
    """The table of the page is matplotlib's viridis, and so is the choice of a colour from it."""
    source = files("swathe.page").joinpath("static/viridis.js").read_text("utf-8")
    digits = "".join(re.findall(r'"([0-9a-f]+)"', source))
    table = np.frombuffer(bytes.fromhex(digits), np.uint8).reshape(256, 3)
    colours = colours_of(SCALE)
    expected = colormaps["viridis"](np.arange(256))[:, :3] * 255
    np.testing.assert_array_equal(table, np.round(expected))
    mm = np.linspace(4.0, 16.0, 997)
    # As `colourIndex` of theme.js computes it.
    index = np.clip(np.floor((mm - 4.0) / 12.0 * 256), 0, 255).astype(int)
    drawn = colours["cmap"](colours["norm"](mm))[:, :3] * 255
    np.testing.assert_allclose(drawn, table[index], atol=0.5)


def test_page_and_record_have_one_scale() -> None:
    """The scale is that of the station file, before and after a reading far beyond it."""
    station = parse_station(station_text(survey=LEVELS), "s.toml")
    source = PlayedSource(station=station)
    plan = viewer_plan(source, [], session="s", placing="p")
    assert (plan["scale"]["low"], plan["scale"]["high"]) == (4.0, 16.0)
    assert plan["scale"]["ticks"]["mm"] == [4, 6, 8, 10, 12, 14, 16]
    pipeline = Pipeline(station)
    before = recorded_scale(record_of(pipeline))
    source.grid.thickness[0] = 45.0
    pipeline.grid.thickness[0] = 45.0
    assert recorded_scale(record_of(pipeline)) == before == SCALE
    assert viewer_plan(source, [], session="s", placing="p")["scale"] == plan["scale"]


def test_values_beyond_the_scale_are_marked() -> None:
    """They have colours of their own, arrows on an axis, and a count in words."""
    colours = colours_of(SCALE)
    shown = [colours["cmap"](colours["norm"](mm)) for mm in (3.99, 4.0, 16.0, 16.01)]
    assert len(set(shown)) == 4
    axes = Figure().subplots()
    values = np.array([14.0, 3.0, 2.0, 17.0, np.nan])
    mark_beyond(axes, np.arange(5.0), values, SCALE, MILLIMETRES)
    thin, thick = axes.lines
    assert (list(np.asarray(thin.get_xdata())), set(np.asarray(thin.get_ydata()))) == (
        [1.0, 2.0], {4.0},
    )  # fmt: skip
    assert (thick.get_label(), list(np.asarray(thick.get_xdata()))) == ("thicker than 16 mm", [3.0])
    assert beyond_text(values, SCALE, MILLIMETRES) == (
        "cells: 2 below the alert level, outlined; 2 thinner than 4 mm; 1 thicker than 16 mm"
    )
    assert beyond_text(np.array([14.0, np.nan]), SCALE, MILLIMETRES) == ""


def test_axis_rises_and_has_the_levels() -> None:
    """Thick is up, and nominal thickness and alert level are lines with names."""
    axes = Figure().subplots()
    draw_scale(axes, SCALE, MILLIMETRES)
    low, high = axes.get_ylim()
    assert low < 4.0 < 16.0 < high
    assert [text.get_label() for text in axes.lines] == ["nominal 14 mm", "alert level 8 mm"]


def test_outline_is_around_the_thin_cells() -> None:
    """Each border between a thin cell and another one is drawn once, and no other."""
    axes = Figure().subplots()
    wall = np.full((3, 4), 14.0)
    wall[1, 1:3] = 7.0
    outline_thin(axes, wall, (0.0, 4.0, 3.0, 0.0), 8.0)
    (border,) = axes.collections
    assert isinstance(border, LineCollection)
    drawn = sorted(tuple(np.asarray(piece).ravel()) for piece in border.get_segments())
    assert drawn == [
        (1, 1, 1, 2), (1, 1, 2, 1), (1, 2, 2, 2), (2, 1, 3, 1), (2, 2, 3, 2), (3, 1, 3, 2),
    ]  # fmt: skip


AREA = """
name = "belt"
[survey]
folder = "survey"
nominal_thickness = "14 mm"
alert_below = "8 mm"
[scan]
length = "90 mm"
resolution = "1 mm"
device = "gauge"
[index]
length = "{width}"
resolution = "1 mm"
device = "gauge"
[[exclude]]
name = "lug"
scan = ["50 mm", "56 mm"]
index = ["2 mm", "4 mm"]
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  {{ is = "position", axis = "scan", unit = "mm" }},
  {{ is = "position", axis = "index", unit = "mm" }},
  {{ is = "thickness", unit = "mm" }},
]
"""


@pytest.mark.parametrize("width", ["20 mm", "80 mm"])
def test_thickness_and_coverage_have_the_same_axes(
    width: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both maps have one size and one range, however they are laid out, and one excluded zone."""
    drawn: list[Figure] = []
    monkeypatch.setattr(
        "swathe.report.picture.save_drawing", lambda figure, *_: drawn.append(figure)
    )
    text = AREA.format(width=width)
    pipeline = Pipeline(parse_station(text, "s.toml"))
    pipeline.feed(opened(text))
    pipeline.grid.thickness[:] = 14.0  # also readings of a probe that went round the lug's cells
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()
    write_derived(folder, pipeline)
    draw_survey(folder)
    (figure,) = drawn
    figure.draw_without_rendering()
    thickness, coverage = (axes for axes in figure.axes if axes.get_title())
    assert thickness.get_title().startswith("Thickness")
    assert thickness.get_xlim() == coverage.get_xlim()
    ours, theirs = thickness.get_window_extent(), coverage.get_window_extent()
    assert (ours.width, ours.height) == pytest.approx((theirs.width, theirs.height))
    if width == "20 mm":  # one above the other
        assert (ours.x0, ours.x1) == pytest.approx((theirs.x0, theirs.x1))
    zones = [
        [patch.get_window_extent().width for patch in axes.patches if patch.get_hatch() == "++"]
        for axes in (thickness, coverage)
    ]
    assert zones[0] == pytest.approx(zones[1])
    assert len(zones[0]) == 3
