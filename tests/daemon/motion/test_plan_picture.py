"""The drawing of a plan: it shows what the plan has, and nothing is lost by going round a pipe."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from daemon.motion_model import area
from swathe.display_units import MILLIMETRES
from swathe.motion import KeepOutZone, Pattern, RasterSettings, WorkArea, plan_raster
from swathe.report.plan_picture import _title, draw_plan

ZONE = (KeepOutZone("manhole", (400, 600), (15, 75)),)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("over", "wanted"),
    [
        (area(), RasterSettings(footprint=12, reading_rate=40)),
        (area(zones=ZONE, clearance=4), RasterSettings(footprint=12, reading_rate=40)),
        (
            area(zones=(KeepOutZone("ring", (400, 420)),), wrapped=True, turns=2.5),
            RasterSettings(footprint=5, reading_rate=5, along="index", pattern=Pattern.ONE_WAY),
        ),
    ],
    ids=["plate", "zone", "pipe"],
)
def test_plan_is_drawn(over: WorkArea, wanted: RasterSettings, tmp_path: Path) -> None:
    """A picture comes out, and it is not a blank one."""
    begin = (0.0, 0.0)
    path = draw_plan(plan_raster(over, wanted, begin=begin), over, tmp_path / "plan.png")
    assert path == tmp_path / "plan.png"
    pixels = np.asarray(imread(path))
    assert np.unique(pixels.reshape(-1, pixels.shape[-1]), axis=0).shape[0] > 50


def test_zone_changes_the_drawing(tmp_path: Path) -> None:
    """The same raster with a zone looks different where the zone is."""
    wanted = RasterSettings(footprint=12, reading_rate=40)
    plain, barred = area(), area(zones=ZONE)
    plan = plan_raster(plain, wanted)
    pictures = [
        np.asarray(imread(draw_plan(plan, over, tmp_path / f"{k}.png")))
        for k, over in enumerate((plain, barred))
    ]
    assert not np.array_equal(pictures[0], pictures[1])


def test_title_tells_the_totals_and_what_is_left_out() -> None:
    """Lines, scans, speed, time, way; and below, what the plan cannot do."""
    over = area(zones=ZONE, clearance=8)
    plan = plan_raster(over, RasterSettings(footprint=12, reading_rate=40, reserve=0))
    title = _title(plan, MILLIMETRES)
    first, second, third = title.splitlines()
    assert first.startswith("11 lines, serpentine, 19 scans at 200 mm/s: 1 min ")
    assert second == "800 mm are scanned while the speed still changes"
    assert third == "14 runs of cells are left out: within 8 mm of excluded zone 'manhole'"
