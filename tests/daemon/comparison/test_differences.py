"""Differences of two maps: which cells are pairs, and what is uncertain in each and in their mean."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from daemon.comparison.simulated_pairs import CENTRE, Setup, simulated_pair
from daemon.evaluation.walls import UNCONFIRMED, arrays_of
from swathe.comparison import (
    CellMap,
    Registration,
    SurveyErrors,
    compare_maps,
    differences_of,
    map_of,
)
from swathe.errors import SwatheError
from swathe.evaluation import CellSource
from swathe.pipeline import CellState
from swathe.station import Axis


def grid(
    values: object, *, width: float = 1.0, wrapped: bool = False, start: float = 0.0
) -> CellMap:
    """Return a map of thicknesses."""
    wall = np.asarray(values, np.float64)
    return CellMap.of_arrays(
        wall,
        Axis("scan", start, width, wall.shape[1], wrapped),
        Axis("index", 0.0, width, wall.shape[0]),
    )


def errors(shared: float = 0.0, *, repeatability: float = 0.0) -> tuple[SurveyErrors, SurveyErrors]:
    """Return the errors of two surveys that are alike."""
    one = SurveyErrors(shared=np.array([shared]), repeatability=repeatability)
    return one, one


def with_means(wall: xr.Dataset, means: object = None) -> CellSource:
    """Return the cells of a wall whose means are its thicknesses, or others."""
    values = wall.thickness.values if means is None else np.asarray(means, np.float32)
    return CellSource.of(wall.assign(thickness_mean=(("index", "scan"), values)), band_cells=12)


def test_pairs_are_of_the_same_place_of_the_part() -> None:
    """A survey with its datum 2 cells farther on shows the same wall 2 cells later."""
    wall = np.random.default_rng(0).normal(10, 1, (5, 12))
    found = differences_of(grid(wall), grid(wall[:, 2:] - 0.5), Registration(), errors())
    assert not np.allclose(found.values[found.pairs], -0.5)
    found = differences_of(grid(wall), grid(wall[:, 2:] - 0.5), Registration(scan=-2.0), errors())
    np.testing.assert_allclose(found.values, -0.5)
    assert found.pairs.all()


def test_between_cells_the_wall_is_interpolated() -> None:
    """On a plane the value half a cell away is exact; of the last column there is none."""
    x, y = np.meshgrid(np.arange(8.0), np.arange(6.0))
    wall = 10 + 0.3 * x - 0.2 * y
    moved = 10 + 0.3 * (x + 0.5) - 0.2 * (y + 0.25)
    shift = Registration(scan=-0.5, index=-0.25)
    found = differences_of(grid(wall), grid(moved), shift, errors())
    np.testing.assert_allclose(found.values[:-1, :-1], 0.0, atol=1e-12)
    assert not found.pairs[-1].any()
    assert not found.pairs[:, -1].any()


def test_variance_of_an_interpolated_pair_is_that_of_its_cells() -> None:
    """Halfway between two cells with 4 readings each: u²/8 and u²/4 of the later cell."""
    wall = np.full((1, 9), 10.0)
    axes = Axis("scan", 0, 1, 9), Axis("index", 0, 1, 1)
    four = CellMap.of_arrays(wall, *axes, readings=np.full(wall.shape, 4.0))
    found = differences_of(four, four, Registration(scan=0.5), errors(repeatability=0.2))
    assert found.random[0, 3] == pytest.approx(0.2 * np.sqrt(1 / 8 + 1 / 4))


def test_round_a_pipe_pairs_cross_the_seam() -> None:
    """A shift of three cells pairs the first with the last ones."""
    wall = np.random.default_rng(1).normal(10, 1, (3, 20))
    pipe = grid(wall, wrapped=True)
    found = differences_of(
        pipe, grid(np.roll(wall, 3, 1), wrapped=True), Registration(scan=3), errors()
    )
    np.testing.assert_allclose(found.values, 0.0, atol=1e-12)


def test_what_does_not_fit_is_refused() -> None:
    """Circumferences that differ, a rotation round a pipe, surveys without a common place."""
    pipe = grid(np.full((3, 20), 10.0), wrapped=True)
    with pytest.raises(SwatheError, match="circumferences differ"):
        differences_of(pipe, grid(np.full((3, 22), 10.0), wrapped=True), Registration(), errors())
    with pytest.raises(SwatheError, match="no rotation"):
        differences_of(pipe, pipe, Registration(rotation=1), errors())
    wall = grid(np.full((3, 20), 10.0))
    with pytest.raises(SwatheError, match="no cell in common"):
        differences_of(wall, wall, Registration(scan=50), errors())


def test_cells_that_do_not_count_are_in_no_pair() -> None:
    """Unvisited, suspect, unconfirmed and excluded cells, and neighbours that need them, have none."""
    wall = np.full((4, 8), 10.0)
    state = np.full(wall.shape, CellState.MEASURED)
    quality = np.zeros(wall.shape)
    state[0, 0], state[1, 2], state[2, 4] = (
        CellState.UNVISITED,
        CellState.SUSPECT,
        CellState.EXCLUDED,
    )
    quality[3, 6] = UNCONFIRMED
    wall[0, 0] = np.nan
    whole = map_of(with_means(arrays_of(np.full((4, 8), 10.0))))
    holed = map_of(with_means(arrays_of(wall, state=state, quality=quality)))
    assert (holed.unread, holed.apart) == (1, 2)
    for earlier, later in ((whole, holed), (holed, whole)):
        found = differences_of(earlier, later, Registration(), errors())
        missing = [(0, 0), (1, 2), (2, 4), (3, 6)]
        assert [tuple(each) for each in np.argwhere(~found.pairs).tolist()] == missing
    shifted = differences_of(holed, whole, Registration(scan=0.5), errors())
    assert np.count_nonzero(~shifted.pairs[3]) == 3


def test_means_are_compared_and_not_minima() -> None:
    """Of cells with more readings the minimum is lower, and the mean is not."""
    random = np.random.default_rng(6)
    few, many = random.normal(10, 0.1, (2, 20, 20)), random.normal(10, 0.1, (30, 20, 20))
    maps = [
        map_of(with_means(arrays_of(each.min(axis=0)), each.mean(axis=0))) for each in (few, many)
    ]
    found = differences_of(maps[0], maps[1], Registration(), errors())
    assert abs(np.nanmean(found.values)) < 0.02
    assert (maps[1].lowest - maps[0].lowest).mean() < -0.1


def test_finer_survey_is_compared_by_blocks() -> None:
    """Blocks of 2 by 3 cells have the mean, the readings and the lowest of their cells."""
    wall = np.arange(48.0).reshape(6, 8) + 1
    fine = CellSource.of(
        arrays_of(wall, resolution=(1.0, 1.0)).assign(
            thickness_mean=(("index", "scan"), wall.astype(np.float32))
        ),
        band_cells=16,
    )
    found = map_of(fine, width=(2.0, 3.0))
    assert found.shape == (2, 4)
    np.testing.assert_allclose(found.mean[0, 0], wall[:3, :2].mean())
    assert found.lowest[1, 3] == wall[3:, 6:].min()
    assert (found.readings == 6).all()
    assert (found.scan.start, found.index.start) == (0.5, 1.0)
    with pytest.raises(SwatheError, match=r"12 cells, more than 10: .* 4\.4 mm"):
        map_of(with_means(arrays_of(wall[:3, :4], resolution=(4, 4))), most_cells=10)


def test_shared_errors_are_not_averaged_away() -> None:
    """Of 10,000 cells the mean is as uncertain as what all readings share; without it, a hundredth."""
    random = np.random.default_rng(3)
    first, second = random.normal(10, 0.1, (2, 100, 100))
    found = differences_of(
        grid(first), grid(second), Registration(), errors(0.03, repeatability=0.1)
    )
    mean = found.mean(found.pairs)
    assert mean is not None
    assert mean.standard == pytest.approx(0.03 * np.sqrt(2), rel=0.01)
    alone = differences_of(grid(first), grid(second), Registration(), errors(repeatability=0.1))
    apart = alone.mean(alone.pairs)
    assert apart is not None
    assert apart.standard == pytest.approx(0.1 * np.sqrt(2) / 100, rel=0.3)


def test_lines_that_are_off_together_widen_the_mean() -> None:
    """An error that each line has by itself counts as many times as there are lines, not cells."""
    random = np.random.default_rng(4)
    first, second = random.normal(10, 0.02, (2, 60, 80)) + random.normal(0, 0.1, (2, 60, 1))
    found = differences_of(grid(first), grid(second), Registration(), errors(repeatability=0.02))
    mean = found.mean(found.pairs)
    assert mean is not None
    assert mean.standard == pytest.approx(0.1 * np.sqrt(2 / 60), rel=0.4)


def test_scatter_beyond_the_readings_is_taken() -> None:
    """Readings said to repeat to 0.01 mm that scatter by 0.1 mm count with 0.1 mm."""
    random = np.random.default_rng(5)
    first, second = random.normal(10, 0.1, (2, 60, 60))
    found = differences_of(grid(first), grid(second), Registration(), errors(repeatability=0.01))
    assert np.nanmedian(found.random) == pytest.approx(0.1 * np.sqrt(2), rel=0.05)
    assert found.scatter == pytest.approx(np.sqrt(0.02), rel=0.05)


def test_slopes_are_the_derivatives_by_the_registration() -> None:
    """They agree with differences of comparisons at shifts and rotations a little apart."""
    earlier, later, _ = simulated_pair(
        2, Setup(repeatability=0.0, gaps=0.0, resolutions=((1, 1), (2, 2)))
    )
    base = {"scan": 6.3, "index": -2.6, "rotation": 1.0}
    one = Registration(**base, centre=CENTRE, covariance=np.eye(3))  # type: ignore[arg-type]
    slopes = differences_of(earlier, later, one, errors()).slopes
    assert slopes is not None
    for number, (name, step) in enumerate((("scan", 0.1), ("index", 0.1), ("rotation", 0.1))):
        moved = [
            differences_of(
                earlier,
                later,
                Registration(**(base | {name: base[name] + sign * step}), centre=CENTRE),  # type: ignore[arg-type]
                errors(),
            ).values
            for sign in (-1, 1)
        ]
        size = 2 * (np.radians(step) if name == "rotation" else step)
        change = (moved[1] - moved[0]) / size
        both = np.isfinite(change)
        assert np.corrcoef(change[both], slopes[number][both])[0, 1] > 0.98
        assert np.polyfit(slopes[number][both], change[both], 1)[0] == pytest.approx(1, abs=0.1)


def test_no_interval_where_shared_errors_are_unknown() -> None:
    """Differences are stated, and nothing is called significant."""
    wall = np.random.default_rng(8).normal(10, 0.01, (20, 20))
    unknown = SurveyErrors(missing="not calibrated"), SurveyErrors()
    pair = compare_maps(grid(wall), grid(wall - 3), 1.0, Registration(), unknown)
    mean = pair.differences.mean(pair.differences.pairs)
    assert mean is not None
    assert mean.value == pytest.approx(-3)
    assert (mean.standard, mean.low) == (None, None)
    assert not pair.loss.any()


def test_growth_is_marked_as_growth_and_never_as_loss() -> None:
    """A wall that reads thicker has a negative rate, and cells of growth."""
    wall = np.random.default_rng(8).normal(10, 0.01, (20, 20))
    pair = compare_maps(
        grid(wall), grid(wall + 0.5), 2.0, Registration(), errors(0.01, repeatability=0.01)
    )
    rate = pair.rate(pair.differences.mean(pair.differences.pairs))
    assert rate is not None
    assert rate.value == pytest.approx(-0.25, abs=1e-3)
    assert rate.below_zero
    assert pair.growth.all()
    assert not pair.loss.any()
    assert pair.loss_places(5, 1.0) == ()


def test_dataset_has_the_map_with_its_marks() -> None:
    """Differences, uncertainties, rates and flags, on the later survey's coordinates."""
    wall = np.full((10, 12), 10.0)
    later = wall.copy()
    later[4, 5], later[0, 0] = 8.0, np.nan
    pair = compare_maps(
        grid(wall), grid(later), 2.0, Registration(), errors(0.01, repeatability=0.01)
    )
    found = pair.dataset()
    assert found.difference.dims == ("index", "scan")
    assert float(found.rate[4, 5]) == 1.0
    assert found.significant.values[4, 5] == 1
    assert found.significant.values[0, 0] == 3
    assert found.significant.flag_meanings.split()[1] == "loss"
    (place,) = pair.loss_places(5, 1.0)
    assert (place.scan, place.index, place.before, place.now) == (5.0, 4.0, 10.0, 8.0)
    # One of 119 pairs: the interval is of 1 - 0.05 / 119.
    assert place.difference.low is not None
    half = -2.0 - place.difference.low
    assert half / float(found.standard_uncertainty[4, 5]) == pytest.approx(3.53, abs=0.02)
