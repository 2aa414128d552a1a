"""Maps read back from their pixels: true to scale, each place where it is, and no mark lost."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from matplotlib.image import imread
from numpy.typing import NDArray

from daemon.handmade import INDEX_STEPPED, Motion, run, station_text
from swathe.document.charts import plan_sketch
from swathe.document.map_cells import MapCells
from swathe.document.maps import state_map, thickness_map
from swathe.document.model import DrawnPicture
from swathe.evaluation import LowPlace
from swathe.messages import Extent
from swathe.pipeline import CellState
from swathe.report.thickness_axis import colours_of, recorded_scale
from swathe.store import SurveyRecord, record_of

pytestmark = pytest.mark.slow

# 60 by 20 cells of 2 mm: 120 mm on 152 mm of paper is drawn 1:1.
SHAPE = 20, 60


@pytest.fixture(scope="module")
def record() -> SurveyRecord:
    """Return the record of a survey that has a scale from 6 to 13.2 mm."""
    index = INDEX_STEPPED.format(length=38, advance="command").replace('"1 mm"', '"2 mm"')
    text = station_text(scan_length=118, survey='nominal_thickness = "12 mm"', index=index)
    text = text.replace('resolution = "1 mm"', 'resolution = "2 mm"', 1)
    return record_of(run(text, Motion(lambda ms: (ms / 50,), lambda _: 12.0, 0, 100).entries()))


def cells() -> MapCells:
    """Return a wall of 12 mm with a thin cell, an excluded block and a suspect column."""
    thickness = np.full(SHAPE, 12.0, np.float32)
    state = np.full(SHAPE, CellState.MEASURED, np.uint8)
    thickness[4, 50] = 7.0
    state[10:14, 20:24], thickness[10:14, 20:24] = CellState.EXCLUDED, np.nan
    state[:, 30] = CellState.SUSPECT
    apart = state == CellState.SUSPECT
    return MapCells(thickness, apart, state, (-1.0, -1.0), (120.0, 40.0), (2.0, 2.0))


def pixels(picture: DrawnPicture) -> NDArray[np.uint8]:
    """Return a picture's colours, shape (rows, columns, 3)."""
    return np.round(imread(io.BytesIO(picture.png))[..., :3] * 255).astype(np.uint8)


def at(image: NDArray[Any], scan: float, index: float) -> tuple[int, ...]:
    """Return the colour of a place, mm: the map begins 14 mm from the left and 3 mm from the top."""
    return tuple(image[round((3 + index + 1) * 8), round((14 + scan + 1) * 8)].tolist())


def test_thickness_is_where_it_is_and_to_scale(record: SurveyRecord) -> None:
    """One millimetre of the part is one of the paper; the colours are those of the scale."""
    picture = thickness_map(cells(), record, {}, caption="Thickness.")
    assert "Scale 1:1 on paper" in picture.caption
    image = pixels(picture)
    scale: Any = colours_of(recorded_scale(record))
    wall, thin = (
        tuple(round(255 * part) for part in scale["cmap"](scale["norm"](mm))[:3]) for mm in (12, 7)
    )
    assert at(image, 10.0, 10.0) == pytest.approx(wall, abs=1)
    for scan, index in ((100.0, 8.0), (99.2, 8.7), (100.8, 7.3)):
        assert at(image, scan, index) == pytest.approx(thin, abs=1)
    for scan, index in ((98.8, 8.0), (101.2, 8.0), (100.0, 6.8), (100.0, 9.2)):
        assert at(image, scan, index) == pytest.approx(wall, abs=1)


def test_suspect_and_excluded_cells_are_inked(record: SurveyRecord) -> None:
    """By a pattern, which a grey print keeps; the cells that count have none."""
    image = pixels(thickness_map(cells(), record, {}, caption="Thickness."))

    def inked(scan: tuple[float, float], index: tuple[float, float]) -> float:
        rows = slice(round((4 + index[0]) * 8), round((4 + index[1]) * 8))
        columns = slice(round((15 + scan[0]) * 8), round((15 + scan[1]) * 8))
        return float((image[rows, columns] == 38).all(axis=-1).mean())

    assert inked((59.2, 60.8), (2, 36)) > 0.05
    assert inked((39.5, 46.5), (19.5, 26.5)) > 0.05
    assert inked((2, 36), (2, 36)) == 0.0


def test_states_have_their_colour_and_places_their_numbers(record: SurveyRecord) -> None:
    """A numbered place changes pixels round it and nowhere else on the map."""
    image = pixels(state_map(cells(), record, caption="States."))
    assert at(image, 10.0, 10.0) == (0xCF, 0xE3, 0xEE)  # measured
    plain = pixels(thickness_map(cells(), record, {}, caption="Thickness."))
    place = {"S1": LowPlace(7.0, 100.0, 8.0)}
    marked = pixels(thickness_map(cells(), record, place, caption="Thickness."))
    rows, columns = np.nonzero((plain != marked).any(axis=-1))
    assert rows.size
    assert (columns.min() / 8 - 15, columns.max() / 8 - 15) == pytest.approx((99, 105), abs=2)
    assert (rows.min() / 8 - 4, rows.max() / 8 - 4) == pytest.approx((5, 9), abs=2)


def test_a_long_part_is_continued_on_the_next_strip(record: SurveyRecord) -> None:
    """What is behind the end of the first strip is at the begin of the second one."""
    long = cells()
    wide = np.full((SHAPE[0], 1200), 12.0, np.float32)
    wide[:, 601:605] = 7.0
    many = replace(
        long,
        thickness=wide,
        apart=np.zeros_like(wide, bool),
        state=np.full(wide.shape, CellState.MEASURED, np.uint8),
        size=(2400.0, 40.0),
    )
    picture = thickness_map(many, record, {}, caption="Thickness.")
    assert "Scale 1:4 on paper" in picture.caption
    assert "Cut into 4 strips along the scan axis, from top to bottom." in picture.caption
    image = pixels(picture)
    scale: Any = colours_of(recorded_scale(record))
    thin = np.array([round(255 * part) for part in scale["cmap"](scale["norm"](7.0))[:3]])
    found = (np.abs(image.astype(int) - thin) <= 1).all(axis=-1)[: -35 * 8]
    # Cells 601 to 604 are 1202 to 1210 mm from the border: 2 to 10 mm into the third strip of 600 mm.
    columns, rows = (np.flatnonzero(found.sum(axis=axis) > 3) / 8 for axis in (0, 1))
    assert (columns.min(), columns.max()) == pytest.approx((14.5, 16.5), abs=0.3)
    assert (rows.min(), rows.max()) == pytest.approx((45.0, 55.0), abs=0.5)


def test_a_map_of_a_pipe_says_which_edges_are_one_line(record: SurveyRecord) -> None:
    """And the sketch of the plan how a range over the seam reads; of a plate neither does."""
    assert record.plan is not None
    plan = record.plan.model_copy(update={"index_turn": Extent(-1.0, 39.0)})
    pipe = record.model_copy(update={"plan": plan})
    words = "Upper and lower edge are the same line of the part, the seam."
    assert words in state_map(cells(), pipe, caption="States.").caption
    assert words not in state_map(cells(), record, caption="States.").caption
    sketched = "The index axis goes round the part: -1 and 39 mm are the same line, the seam."
    assert sketched in plan_sketch(pipe, plan).caption
    assert "seam" not in plan_sketch(record, record.plan).caption
