"""Cells of the grid against a dictionary: every rule, state and count, however batches are cut."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.pipeline import CellState, Grid
from swathe.station import Axis, CellRule

UTC_OFFSET = 1_800_000_000_000_000_000


def grid(rule: CellRule = CellRule.MINIMUM, rows: int = 3, columns: int = 4) -> Grid:
    """Return an empty grid of cells of 1 mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows),
        rule=rule,
    )


class Shot(NamedTuple):
    """One reading and the cell it falls into; -1 is beside the grid."""

    cell: int
    thickness: float
    amplitude: float
    valid: bool


def shots(**other: Any) -> st.SearchStrategy[Shot]:
    """Readings on a grid of 12 cells."""
    parts: dict[str, Any] = {
        "cell": st.integers(-1, 11),
        "thickness": st.one_of(st.integers(1, 9).map(float), st.just(math.nan)),
        "amplitude": st.one_of(st.integers(1, 9).map(float), st.just(math.nan)),
        "valid": st.booleans(),
    }
    return st.builds(Shot, **{**parts, **other})


def columns_of(found: list[Shot], first: int = 0) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return shots as columns, reading k at the time k."""
    return (
        readings(
            range(first, first + len(found)),
            [shot.thickness for shot in found],
            amplitude=[shot.amplitude for shot in found],
            valid=[shot.valid for shot in found],
        ),
        np.array([shot.cell for shot in found], np.int64),
    )


def filled(rule: CellRule, batches: list[list[Shot]]) -> Grid:
    """Return a grid that took the shots batch by batch."""
    made = grid(rule)
    first = 0
    for batch in batches:
        made.add(*columns_of(batch, first), UTC_OFFSET)
        first += len(batch)
    return made


def cut(found: list[Shot], places: list[int]) -> list[list[Shot]]:
    """Cut a list at places taken modulo its length."""
    at = sorted({place % (len(found) + 1) for place in places})
    return [found[a:b] for a, b in zip([0, *at], [*at, len(found)], strict=True)]


def by_hand(rule: CellRule, held: list[tuple[int, Shot]]) -> tuple[Shot, float]:
    """Return the reading that stands for a cell, and the cell's thickness."""
    numbered = [shot for _, shot in held]
    mean = math.fsum(shot.thickness for shot in numbered) / len(numbered)
    match rule:
        case CellRule.MINIMUM:
            best = min(numbered, key=lambda shot: shot.thickness)
        case CellRule.FIRST:
            best = numbered[0]
        case CellRule.LAST:
            best = numbered[-1]
        case CellRule.MEAN:
            return numbered[-1], mean
        case CellRule.STRONGEST:
            best = max(
                numbered,
                key=lambda shot: -1.0 if math.isnan(shot.amplitude) else shot.amplitude,
            )
    return best, best.thickness


@pytest.mark.parametrize("rule", list(CellRule))
@given(
    found=st.lists(shots(), max_size=40),
    places=st.lists(st.integers(0, 100), max_size=4),
)
def test_add_agrees_with_a_dictionary(rule: CellRule, found: list[Shot], places: list[int]) -> None:
    """Each rule gives the reading that a plain dictionary gives, wherever the batches are cut."""
    made = filled(rule, cut(found, places))
    cells: dict[int, list[tuple[int, Shot]]] = defaultdict(list)
    states: dict[int, CellState] = defaultdict(lambda: CellState.UNVISITED)
    for time, shot in enumerate(found):
        if shot.cell < 0:
            continue
        good = shot.valid and not math.isnan(shot.thickness)
        if good:
            cells[shot.cell].append((time, shot))
        state = CellState.MEASURED if good else CellState.NO_SIGNAL
        states[shot.cell] = max(states[shot.cell], state)
    assert made.outside == sum(shot.cell < 0 for shot in found)
    for cell in range(12):
        assert made.state[cell] == states[cell]
        assert made.hits[cell] == len(cells[cell])
        if not cells[cell]:
            continue
        best, thickness = by_hand(rule, cells[cell])
        assert made.thickness[cell] == pytest.approx(thickness, rel=1e-12)
        assert made.amplitude[cell] == pytest.approx(best.amplitude, nan_ok=True)
        assert made.time_of_flight[cell] == pytest.approx(best.thickness / 2.96)
        assert made.last_time[cell] == cells[cell][-1][0] + UTC_OFFSET
        mean = math.fsum(shot.thickness for _, shot in cells[cell]) / len(cells[cell])
        assert made.mean_thickness(cell) == pytest.approx(mean)


@pytest.mark.parametrize("rule", [CellRule.MINIMUM, CellRule.MEAN, CellRule.STRONGEST])
@given(
    found=st.lists(shots(), min_size=2, max_size=20, unique_by=(lambda s: s.thickness,)),
    order=st.randoms(use_true_random=False),
)
def test_add_order_of_batches_is_irrelevant(rule: CellRule, found: list[Shot], order: Any) -> None:
    """By a rule that asks for no order, it does not matter which batch came first."""
    numbered = [
        shot._replace(amplitude=float(k)) for k, shot in enumerate(found)
    ]  # no two alike, so that there is one answer
    shuffled = list(numbered)
    order.shuffle(shuffled)
    one = filled(rule, [[shot] for shot in numbered])
    other = filled(rule, [[shot] for shot in shuffled])
    assert np.array_equal(one.state, other.state)
    assert np.array_equal(one.hits, other.hits)
    assert one.thickness == pytest.approx(other.thickness, rel=1e-12)
    if rule is not CellRule.MEAN:
        assert np.array_equal(one.thickness, other.thickness)
        assert np.array_equal(one.amplitude, other.amplitude)


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("uncertain"), st.integers(0, 11), st.booleans()),
            st.tuples(st.just("pass"), st.integers(0, 11), st.booleans()),
            st.tuples(st.just("read"), st.integers(0, 11), st.booleans()),
        ),
        max_size=40,
    )
)
def test_state_only_rises(steps: list[tuple[str, int, bool]]) -> None:
    """Unvisited, uncertain, skipped, no signal, measured: no later pass takes a cell down again."""
    made = grid()
    made.exclude(np.arange(0, 1), np.arange(0, 2))
    rank = [CellState.EXCLUDED] * 2 + [CellState.UNVISITED] * 10
    passes = [0] * 12
    for kind, cell, flag in steps:
        if kind == "pass":
            made.pass_over(np.array([cell]), np.array([flag]))
            rank[cell] = max(rank[cell], CellState.NO_SIGNAL if flag else CellState.SKIPPED)
            passes[cell] += 1
        elif kind == "uncertain":
            made.pass_over(np.array([cell]), np.array([flag]), np.array([True]))
            rank[cell] = max(rank[cell], CellState.UNCERTAIN)
            passes[cell] += 1
        else:
            shot = Shot(cell, 5.0, 50.0, valid=flag)
            made.add(*columns_of([shot]), 0)
            rank[cell] = max(rank[cell], CellState.MEASURED if flag else CellState.NO_SIGNAL)
        assert made.state.tolist() == rank
    assert made.passes.tolist() == passes


def test_measured_cell_keeps_number_through_a_pass_without_signal() -> None:
    """A later pass without signal changes neither the state nor the number of a measured cell."""
    made = filled(CellRule.LAST, [[Shot(5, 7.5, 50.0, valid=True)]])
    made.add(*columns_of([Shot(5, math.nan, 1.0, valid=False)], 9), UTC_OFFSET)
    made.pass_over(np.array([5]), np.array([True]))
    assert made.state[5] == CellState.MEASURED
    assert (made.thickness[5], made.hits[5], made.amplitude[5]) == (7.5, 1, 50.0)


def test_excluded_stays() -> None:
    """What the plan said of a cell is not undone by a reading."""
    made = grid()
    made.exclude(np.arange(0, 1), np.arange(0, 1))
    made.add(*columns_of([Shot(0, 5.0, 1.0, valid=True)]), 0)
    assert made.state[0] == CellState.EXCLUDED


def test_suspect_stays_until_a_sound_reading() -> None:
    """A doubtful reading leaves a suspect cell so; a sound one takes the place of all of them."""
    made = filled(CellRule.MINIMUM, [[Shot(4, 7.0, 1.0, valid=True)]])
    made.mark_suspect(np.array([4]))
    made.add(*columns_of([Shot(4, 5.0, 1.0, valid=True)]), 0, suspect=True)
    assert (made.state[4], made.thickness[4], made.hits[4]) == (CellState.SUSPECT, 5.0, 2)
    made.add(*columns_of([Shot(4, 9.0, 1.0, valid=True)]), 0)
    assert (made.state[4], made.thickness[4], made.hits[4]) == (CellState.MEASURED, 9.0, 1)
    assert made.mean_thickness(4) == 9.0


def test_strongest_without_amplitude_keeps_the_first_in_any_cut() -> None:
    """When no reading says how strong it was the first one stands, in one batch or in two."""
    found = [Shot(3, thickness, math.nan, valid=True) for thickness in (5.0, 4.0, 6.0)]
    assert filled(CellRule.STRONGEST, [found]).thickness[3] == 5.0
    assert filled(CellRule.STRONGEST, [[shot] for shot in found]).thickness[3] == 5.0


def test_cells_at_row_by_row_and_outside() -> None:
    """A cell's flat number counts along the scan axis first; beside the grid it is -1."""
    made = grid()
    scan = np.array([0.0, 3.4, 0.0, -0.6, 0.0, math.nan])
    index = np.array([0.0, 0.0, 2.0, 0.0, 2.6, 0.0])
    assert made.cells_at(scan, index).tolist() == [0, 3, 8, -1, -1, -1]


def test_layer_shows_nan_where_there_is_no_number() -> None:
    """Numbers are float32 with NaN for none; counts and states are as they are, and a copy."""
    made = filled(CellRule.MINIMUM, [[Shot(5, 4.0, 50.0, valid=True), Shot(5, 6.0, 80.0, True)]])
    whole = (slice(0, 3), slice(0, 4))
    thickness = made.layer("thickness", *whole)
    assert thickness.dtype == np.float32
    assert thickness.shape == (3, 4)
    assert np.isnan(thickness).sum() == 11
    assert thickness[1, 1] == 4.0
    assert made.layer("thickness_mean", *whole)[1, 1] == 5.0
    assert made.layer("amplitude", *whole)[1, 1] == 50.0
    assert made.layer("hits", slice(1, 2), slice(1, 3)).tolist() == [[2, 0]]
    state = made.layer("state", *whole)
    state[0, 0] = 9
    assert made.state[0] == CellState.UNVISITED
    assert made.layer("last_time", *whole)[1, 1] == UTC_OFFSET + 1


def test_last_time_is_that_of_the_newest_reading_however_they_come() -> None:
    """A reading that comes late does not set it back, nor does a later stay in the cell."""
    made = grid()
    made.add(readings([500, 300, 400]), np.array([5, 6, 5]), UTC_OFFSET)
    assert made.last_time[5] == 500 + UTC_OFFSET
    made.add(readings([200]), np.array([5]), UTC_OFFSET)
    assert made.last_time[5] == 500 + UTC_OFFSET


@pytest.mark.parametrize(
    ("rule", "winner"), [(CellRule.FIRST, 0), (CellRule.LAST, 2), (CellRule.MINIMUM, 0)]
)
@pytest.mark.parametrize("pieces", [1, 3])
def test_of_equal_readings_the_first_one_counts_except_by_the_last(
    rule: CellRule, winner: int, pieces: int
) -> None:
    """Three readings of one thickness in two stays, at once or one by one."""
    made = grid(rule)
    found = readings(range(4), 8.0, amplitude=[10.0, 20.0, 30.0, 40.0])
    cells = np.array([5, 5, 5, 6])
    for some in np.array_split(np.arange(4), pieces):
        made.add(found[some], cells[some], 0)
    assert made.amplitude[5] == [10.0, 20.0, 30.0][winner]


def test_invalid_reading_of_uncertain_place_is_no_evidence() -> None:
    """A reading without echo that may be one of the next cell does not make its cell one without."""
    made = grid()
    shots = [Shot(cell, math.nan, 1.0, valid=False) for cell in (0, 1)]
    made.add(*columns_of(shots), 0, uncertain=np.array([True, False]))
    assert made.state[:2].tolist() == [CellState.UNCERTAIN, CellState.NO_SIGNAL]
    made.add(*columns_of(shots[:1]), 0)
    assert made.state[0] == CellState.NO_SIGNAL
