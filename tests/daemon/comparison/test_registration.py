"""Shift and rotation from one survey to another, stated or found in the wall."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.comparison.simulated_pairs import CENTRE, TRUTH, Kind, Setup, simulated_pair, trial
from swathe.comparison import CellMap, Registration, register_by_pattern
from swathe.comparison.correlation import masked_correlation
from swathe.errors import SwatheError
from swathe.station import Axis

ONE = Registration(scan=7.0, index=-3.0, rotation=10.0, centre=(20.0, 30.0))


def test_places_go_there_and_back() -> None:
    """The centre is shifted; another place is turned about it from the scan to the index axis as well."""
    scan, index = np.array([20.0, 30.0]), np.array([30.0, 30.0])
    x, y = ONE.to_later(scan, index)
    assert (x[0], y[0]) == pytest.approx((27.0, 27.0))
    assert (x[1], y[1]) == pytest.approx(
        (27 + 10 * np.cos(np.pi / 18), 27 + 10 * np.sin(np.pi / 18))
    )
    back = ONE.to_earlier(x, y)
    np.testing.assert_allclose(back, (scan, index))


def test_registration_about_another_place_is_the_same() -> None:
    """Its shift differs, its places do not, and its covariance is that of the derivatives."""
    covariance = np.array([[0.04, 0.01, 1e-4], [0.01, 0.09, -2e-4], [1e-4, -2e-4, 1e-5]])
    one = Registration(scan=7.0, index=-3.0, rotation=10.0, centre=(20, 30), covariance=covariance)
    other = one.at((0.0, 0.0))
    places = np.array([5.0, 50.0]), np.array([-4.0, 80.0])
    np.testing.assert_allclose(other.to_later(*places), one.to_later(*places))
    steps = []
    for k, step in enumerate(np.eye(3) * 1e-6):
        moved = Registration(
            scan=7 + step[0], index=-3 + step[1], rotation=10 + np.degrees(step[2]), centre=(20, 30)
        ).at((0.0, 0.0))
        change = (moved.scan - other.scan, moved.index - other.index, step[2])
        steps.append(np.array(change) / 1e-6)
        assert steps[k].shape == (3,)
    matrix = np.stack(steps, axis=1)
    np.testing.assert_allclose(other.covariance, matrix @ covariance @ matrix.T, rtol=1e-4)


def test_what_is_no_registration_is_refused() -> None:
    """A shift must be finite, and variances are not negative."""
    with pytest.raises(SwatheError, match="finite"):
        Registration(scan=float("nan"))
    with pytest.raises(SwatheError, match="covariance"):
        Registration(covariance=-np.eye(3))


@pytest.mark.parametrize("wrapped", [False, True])
def test_correlation_is_pearsons_of_the_overlap(*, wrapped: bool) -> None:
    """At each shift it is `numpy.corrcoef` of the cells that both have there."""
    random = np.random.default_rng(1)
    one, other = random.normal(3, 1, (9, 11)), random.normal(-2, 1, (9, 11))
    known, seen = random.random((9, 11)) < 0.8, random.random((9, 11)) < 0.8
    found = masked_correlation(one, known, other, seen, wrapped=(False, wrapped))
    for dy, dx in ((0, 0), (2, -3), (-1, 4)):
        pairs = []
        for y in range(9):
            for x in range(11):
                column = (x + dx) % 11 if wrapped else x + dx
                if 0 <= y + dy < 9 and 0 <= column < 11 and seen[y, x] and known[y + dy, column]:
                    pairs.append((one[y + dy, column], other[y, x]))
        expected = np.corrcoef(np.array(pairs).T)[0, 1]
        assert found[dy, dx] == pytest.approx(expected, abs=1e-9)


def test_pattern_finds_shift_and_rotation_within_half_a_cell() -> None:
    """A datum that is off by 7 mm and a degree is found on another grid, with gaps and a loss."""
    for seed in (2, 4):
        one = trial(seed, Setup())
        assert one.off is not None
        assert np.all(np.abs(one.off) < (1.0, 1.25, 0.5)), (seed, one.off)
        assert all(one.held)
        assert one.rate_held
        assert one.pair is not None
        assert one.pair.loss.any()
        assert not one.pair.growth.any()


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("flat", "no pattern"),
        ("plane", "no pattern"),
        ("grooves", "single direction"),
        ("repeating", "repeats"),
    ],
)
def test_wall_that_carries_no_registration_is_refused(kind: Kind, reason: str) -> None:
    """Noise, a slope, grooves along one axis and a pattern that repeats are no evidence of a shift."""
    found = trial(3, Setup(kind=kind, size=0.6)).pattern
    assert found.registration is None
    assert reason in found.refused


def test_shift_beyond_the_search_is_refused() -> None:
    """What is looked for within 4 mm is not found at 7 mm, or said to be at the border."""
    assert trial(2, Setup(), search=4.0).pattern.registration is None


def test_shift_is_found_round_a_pipe_without_a_rotation() -> None:
    """Across the seam of a circumference the pattern is one; no rotation is looked for."""
    random = np.random.default_rng(5)
    scan, index = Axis("scan", 0.0, 3.0, 80, wrapped=True), Axis("index", 0.0, 3.0, 40)
    turn = scan.cells * scan.resolution
    at, along = random.uniform(0, turn, 25), random.uniform(-10, 130, 25)
    deep = random.uniform(0.3, 1.5, 25)

    def read(shift: float) -> CellMap:
        x, y = np.meshgrid(scan.centres - shift, index.centres)
        wall = np.full(x.shape, 10.0)
        for a, b, d in zip(at, along, deep, strict=True):
            away = (x - a + turn / 2) % turn - turn / 2
            wall -= d * np.exp(-(away**2 + (y - b) ** 2) / (2 * 8.0**2))
        return CellMap.of_arrays(wall + random.normal(0, 0.03, x.shape), scan, index)

    found = register_by_pattern(read(0.0), read(9.0))
    assert found.refused == ""
    assert found.registration is not None
    assert not found.rotation_fitted
    assert found.registration.rotation == 0
    assert found.registration.scan == pytest.approx(9.0, abs=0.5)
    assert found.registration.index == pytest.approx(0.0, abs=0.5)


def test_single_line_has_no_pattern() -> None:
    """A line profile says nothing of a shift across it."""
    line = CellMap.of_arrays(
        np.random.default_rng(0).normal(9, 1, (1, 200)),
        Axis("scan", 0, 1, 200),
        Axis("index", 0, 1, 1),
    )
    assert "single line" in register_by_pattern(line, line).refused


def test_simulated_pair_is_what_it_says() -> None:
    """The truth of the simulation itself: the later survey's centre shows the earlier one's, less the loss."""
    still = Setup(repeatability=0, velocity=0, offset=0, gaps=0, resolutions=((1, 1), (1, 1)))
    earlier, later, loss = simulated_pair(1, still)
    row, column = round(CENTRE[1] + TRUTH[1]), round(CENTRE[0] + TRUTH[0])
    before = earlier.mean[round(CENTRE[1]), round(CENTRE[0])]
    assert later.mean[row, column] == pytest.approx(before - loss[row, column], abs=1e-9)
