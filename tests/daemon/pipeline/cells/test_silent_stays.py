"""What takes from cells that a probe's silence says that they have no signal."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.cells.silent_stays import SilentStays
from swathe.pipeline.placing.doubts import Doubts
from swathe.station import Axis, CellRule

MS = 1_000_000


def grid() -> Grid:
    """Return a line of ten cells."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=10),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=CellRule.MINIMUM,
    )


def stays(
    cells: list[int],
    times: list[int],
    *,
    settled: list[int] | None = None,
    silent: bool = True,
    probe: int = 0,
    lost: bool = False,
    unread: bool = False,
    entered: bool = True,
) -> CrossedCells:
    """Return stays of 10 ms that begin at these times, ms, each settled 100 ms later."""
    at = np.array(cells, np.int64)
    ns = np.array(times, np.int64) * MS
    yes, no = np.ones(at.size, bool), np.zeros(at.size, bool)
    return CrossedCells(
        cells=at,
        entered=yes if entered else no,
        silent=yes if silent else no,
        lost=yes if lost else no,
        uncertain=no,
        unplaced=no,
        unread=yes if unread else no,
        known=yes,
        settled=ns + 100 * MS if settled is None else np.array(settled) * MS,
        sample=np.arange(at.size),
        probe=np.full(at.shape, probe, np.uint8),
        time=ns,
        since=ns.copy(),
    )


def doubt(begin: int, end: int, known: int, *, unread: bool = True, probe: int = 0) -> Doubts:
    """Return one span, in ms."""
    since, until, came = (np.array([ms * MS]) for ms in (begin, end, known))
    return Doubts(since, until, came, np.array([unread]), np.array([probe]))


def state(made: Grid, cell: int) -> CellState:
    """Return the state of a cell."""
    return CellState(made.state[cell])


def test_doubt_takes_the_cells_of_its_span_and_says_which() -> None:
    """Its beginning is the reading before, which came: a sample there is not in it. Its end is."""
    made = grid()
    silences = SilentStays(made)
    silences.pass_through(stays([2, 3, 4, 5], [200, 201, 240, 241]))
    silences.doubt(doubt(200, 240, 500))
    assert silences.due.tolist() == [500 * MS]
    assert silences.apply(499 * MS).tolist() == []
    assert state(made, 3) is CellState.NO_SIGNAL
    assert silences.apply(500 * MS).tolist() == [3, 4]
    assert silences.due.tolist() == []
    states = [state(made, cell) for cell in (2, 3, 4, 5)]
    assert states == [
        CellState.NO_SIGNAL,
        CellState.UNCERTAIN,
        CellState.UNCERTAIN,
        CellState.NO_SIGNAL,
    ]
    assert np.flatnonzero(made.unread).tolist() == [3, 4]
    assert silences.apply(600 * MS).tolist() == []


@pytest.mark.parametrize(
    ("begin", "end", "left", "unplaced"),
    [
        (190, 209, CellState.UNCERTAIN, True),  # the reading after it was taken in the cell
        (190, 210, CellState.SKIPPED, False),  # the probe was in the next one by then
        (201, 230, CellState.UNCERTAIN, True),  # the reading before it was
        (199, 230, CellState.SKIPPED, False),
    ],
)
@pytest.mark.parametrize("again", [False, True])
def test_no_silence_at_all_is_a_reading_without_a_place_or_speed(
    begin: int, end: int, left: CellState, *, unplaced: bool, again: bool
) -> None:
    """By whether one of the readings around was taken in the cell; it has no reading by then."""
    made = grid()
    silences = SilentStays(made)
    there = stays([3, 4], [205, 215])
    there.since[:] = [200 * MS, 210 * MS]
    silences.pass_through(there[:1] if again else there)
    if again:  # the same stay in the next piece, and then its end
        silences.pass_through(stays([3], [207], entered=False))
        silences.pass_through(there[1:])
    silences.doubt(doubt(begin, end, 500, unread=False))
    silences.apply(500 * MS)
    assert state(made, 3) is left
    assert bool(made.unplaced[3]) is unplaced
    assert not made.unread.any()


def test_each_probe_has_doubts_of_its_own() -> None:
    """Of two on one carriage the line of one was held up."""
    made = grid()
    silences = SilentStays(made)
    silences.pass_through(stays([2], [200], probe=0))
    silences.pass_through(stays([3], [200], probe=1))
    silences.doubt(doubt(190, 240, 500, probe=1))
    assert silences.apply(500 * MS).tolist() == [3]


def test_what_rests_on_more_stays() -> None:
    """A reading without an echo, one lost by its number, another silent stay, a state from before."""
    made = grid()
    silences = SilentStays(made)
    made.lose(np.array([1]))
    silences.pass_through(stays([1, 2, 3, 4], [200, 210, 220, 230]))
    silences.rests_on_more(np.array([2]))
    silences.pass_through(stays([3], [900]))
    silences.pass_through(stays([4], [950], lost=True))
    silences.doubt(doubt(190, 300, 1000))
    assert silences.apply(1000 * MS).tolist() == []
    assert [state(made, cell) for cell in (1, 2, 3, 4)] == [CellState.NO_SIGNAL] * 4
    silences.doubt(doubt(800, 920, 1100))
    assert silences.apply(1100 * MS).tolist() == [3]


def test_measured_cell_stays_measured() -> None:
    """Late readings were placed there."""
    made = grid()
    silences = SilentStays(made)
    silences.pass_through(stays([2], [200]))
    made.state[2] = CellState.MEASURED
    silences.doubt(doubt(190, 300, 500))
    assert silences.apply(500 * MS).tolist() == []
    assert state(made, 2) is CellState.MEASURED


@pytest.mark.parametrize("first", [True, False])
def test_what_other_passes_left_is_left(first: bool) -> None:
    """One was too fast there, before the silent one or after it."""
    made = grid()
    silences = SilentStays(made)
    passes = [stays([2], [200]), stays([2], [700], silent=False)]
    for one in passes[:: 1 if first else -1]:
        silences.pass_through(one)
    silences.doubt(doubt(190, 300, 1000))
    assert silences.apply(1000 * MS).tolist() == [2]
    assert state(made, 2) is CellState.SKIPPED


def test_stay_that_is_known_after_the_doubt_is_doubted() -> None:
    """As on a line that is set by hand once it is scanned; no doubt is kept for longer."""
    made = grid()
    silences = SilentStays(made, 2500 * MS)
    silences.doubt(doubt(190, 300, 500))
    silences.apply(500 * MS)
    silences.pass_through(stays([2], [200], settled=[2000]))
    assert silences.apply(2900 * MS).tolist() == [2]
    silences.apply(3000 * MS)
    silences.pass_through(stays([3], [200], settled=[2000]))
    assert silences.apply(3100 * MS).tolist() == []


def test_bytes_more_than_a_minute_late_take_nothing() -> None:
    """Nor is a stay followed for longer."""
    for late, left in ((60_300, [2]), (60_301, [])):
        silences = SilentStays(grid())
        silences.pass_through(stays([2], [200]))
        silences.pass_through(stays([3], [late - 100]))
        silences.doubt(doubt(190, 210, late))
        assert silences.apply(late * MS).tolist() == left, late


def test_memory_ends_with_the_minute() -> None:
    """A probe that is silent for hours; what was silent longest ago rests on more."""
    made = grid()
    silences = SilentStays(made)
    for ms in range(0, 200_000, 500):
        silences.pass_through(stays([ms // 500 % 10], [ms]))
    assert len(silences) <= 2 * 62
    silences.doubt(doubt(-1, 200_000, 200_100))
    assert silences.apply(200_100 * MS).tolist() == []
