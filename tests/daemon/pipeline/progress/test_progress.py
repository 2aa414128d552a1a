"""Rates of a run, and the speed at which cells are about to be skipped."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_ENCODED,
    INDEX_STEPPED,
    MS,
    START,
    Motion,
    ended,
    feed,
    opened,
    run,
    station,
    station_text,
    ticks,
)
from daemon.strategies import readings
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Grid, ProbePath
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.probe_echoes import ProbeEchoes
from swathe.pipeline.placing.slip import Slip
from swathe.pipeline.progress.fields import moment
from swathe.pipeline.progress.probe_snapshot import no_counts
from swathe.pipeline.progress.progress import RunRates, progress_of, sliding_rate, speed_limit
from swathe.pipeline.progress.snapshots import ProgressSnapshot
from swathe.pipeline.spurious.watch import SpuriousWatch
from swathe.station import Axis, CellRule

S = 1_000_000_000


def path(
    scan: list[float], resets: list[bool] | None = None, settled: list[int] | None = None
) -> ProbePath:
    """Return a path through these scan positions."""
    n = len(scan)
    return ProbePath(
        np.arange(n, dtype=np.int64),
        np.array(scan),
        np.zeros(n),
        np.ones(n, bool),
        np.zeros(n, bool) if resets is None else np.array(resets),
        np.zeros(n, bool),
        np.arange(n, dtype=np.int64) if settled is None else np.array(settled),
        np.zeros((n, 2)),
    )


def follow(
    rates: RunRates, *times: int, way: ProbePath | None = None, readings: int = 0, measured: int = 0
) -> None:
    """Follow instants with the same totals at each."""
    instants = np.array(times, np.int64)
    rates.follow(
        instants,
        path=way,
        readings=np.full(instants.shape, readings),
        measured=np.full(instants.shape, measured),
    )


def test_sliding_rate_is_that_over_the_window() -> None:
    """The rate is the rise from the last total at or before the window's begin to the newest."""
    times = np.array([10, 11, 12, 13, 20], np.int64) * S
    totals = np.array([100, 103, 107, 117, 127])
    rates = sliding_rate(times, totals, 2 * S)
    # From 11 s on at 13 s; nothing newer than 13 s to begin from at 20 s.
    assert rates.tolist() == pytest.approx([0.0, 3.0, 3.5, 7.0, 10 / 7])


def test_run_rates_are_of_travel_readings_and_cells() -> None:
    """Travel counts forth and back, without position resets; each rate has its own total."""
    rates = RunRates(0, readings=1000, measured=40)
    follow(rates, way=path([0.0, 10.0, 4.0]))
    way = path([4.0, 300.0, 304.0], [False, True, False])
    follow(rates, S // 4, way=way, readings=1050, measured=47)
    assert rates.speed == (10 + 6 + 4) * 4
    assert rates.rate == 200.0
    assert rates.cell_rate == 28.0


def test_travel_counts_from_when_it_is_settled() -> None:
    """At each instant the path that is settled by then, however far it was known at once."""
    way = path([0.0, 10.0, 30.0, 70.0], settled=[0, S // 4, S // 2, 2 * S])
    rates = RunRates(0)
    follow(rates, S // 4 - 1, S // 4, S // 2, way=way)
    assert rates.speeds.tolist() == pytest.approx([0.0, 40.0, 60.0])
    follow(rates, S)
    assert rates.speed == pytest.approx(40 / 0.5)  # travelled in the last call, settled by now


@pytest.mark.parametrize(("speed", "is_fast"), [(79.9, False), (80.0, False), (80.1, True)])
def test_too_fast_begins_at_four_fifths_of_the_limit(speed: float, is_fast: bool) -> None:
    """The warning comes before cells are skipped, and never without a limit."""
    rates = RunRates()
    follow(rates, S // 10, way=path([0.0, speed / 10]))
    assert rates.too_fast(100.0) is is_fast
    assert rates.were_too_fast(np.array([100.0])).tolist() == [is_fast]
    assert not rates.were_too_fast(np.array([np.inf])).any()
    assert not rates.too_fast(None)


def test_progress_of_a_scan() -> None:
    """Figures of a pass at 20 mm/s with a reading each 5 ms and cells of 1 mm."""
    motion = Motion(lambda ms: (ms / 50,), lambda _: 10.0, 0, 500)
    pipeline = run(station_text(scan_length=200, survey="hits_per_cell = 2"), motion.entries())
    progress = pipeline.progress()
    assert progress.speed == pytest.approx(20.0, abs=3.0)
    assert progress.rate == pytest.approx(200.0, abs=25.0)
    # Two hits in each cell at 200 readings/s, by a clock that was fitted for half a second: its
    # first corrections are a jitter, for which there is room.
    assert 97.0 < (progress.speed_limit or 0.0) <= 100.2
    assert (progress.required, progress.measured) == (201, 11)
    left = progress.required - progress.measured
    assert progress.seconds_left == pytest.approx(left / 22, abs=1.0)
    assert (progress.line, progress.open_gaps, progress.outside) == (0, 0, 0)
    assert progress.slipped_at is None
    assert progress.check_due is None
    assert not progress.too_fast


def test_line_in_force_is_that_of_a_stepped_index_axis() -> None:
    """Its number, of how many, and where it is; a line profile and an encoded axis have none."""
    text = station_text(index=INDEX_STEPPED.format(length=4, advance="command"))
    pipeline = run(text)
    feed(pipeline, [Mark(START + 10 * MS, MarkKind.LINE, {"line": 3, "by": "x"})])
    now = pipeline.progress().line_now
    assert now is not None
    assert (now.number, now.lines, now.index) == (3, 5, 3.0)
    assert run(station_text()).progress().line_now is None
    encoded = station_text(index=INDEX_ENCODED.format(length=2))
    assert run(encoded).progress().line_now is None


def test_progress_before_a_run_has_no_rates() -> None:
    """Without a reading there is no limit, no minimum, and no time left to state."""
    pipeline = run(station_text())
    progress = pipeline.progress()
    assert (progress.speed_limit, progress.minimum, progress.seconds_left) == (None, None, None)
    assert (progress.scan, progress.minimum_scan, progress.minimum_expanded) == (None, None, None)


@pytest.mark.parametrize("status", ["complete", "incomplete"])
def test_status_of_a_survey_is_that_of_its_last_run(status: str) -> None:
    """A run is scanning; a survey is complete only if it ended so and still has its share."""
    text = station_text()
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1150)
    pipeline = run(text, motion.entries())
    assert str(pipeline.status) == "scanning"
    feed(pipeline, [ended(START + 1500 * MS, status)])
    assert str(pipeline.status) == status
    check = opened(text, time=START + 2000 * MS)
    check.detail["purpose"] = "check"
    feed(pipeline, [check, *ticks(2010, 2100)])
    assert str(pipeline.status) == status
    assert pipeline.runs == 1
    feed(pipeline, [opened(text, time=START + 3000 * MS)])
    assert (str(pipeline.status), pipeline.runs) == ("scanning", 2)
    # A run that was killed leaves the survey incomplete, whatever the one before it was.
    killed = opened(text, time=START + 4000 * MS)
    killed.detail["purpose"] = "check"
    feed(pipeline, [killed])
    assert str(pipeline.status) == "incomplete"


def test_complete_survey_is_incomplete_once_its_cells_are_suspect() -> None:
    """A failed check after the scan takes the share away, and an override gives it back."""
    text = station_text()
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1150)
    pipeline = run(text, motion.entries(), [ended(START + 1500 * MS, "complete")])
    assert str(pipeline.status) == "complete"
    check = opened(text, time=START + 2000 * MS, utc=1_800_000_002_000_000_000)
    check.detail["purpose"] = "check"
    detail = {"phase": "after", "by": "A. Kern", "tolerance": 0.1, "block": "steps"}
    feed(
        pipeline,
        [
            check,
            Mark(START + 2001 * MS, MarkKind.CHECK_BEGUN, detail),
            Mark(START + 2002 * MS, MarkKind.CHECK_ENDED, {}),
        ],
    )
    assert str(pipeline.status) == "incomplete"
    assert pipeline.coverage.measured == 0
    override = {"check": 1, "by": "B. Rot", "because": "no block"}
    feed(pipeline, [Mark(START + 2003 * MS, MarkKind.CHECK_OVERRIDDEN, override)])
    assert str(pipeline.status) == "complete"


@pytest.mark.parametrize(
    ("totals", "per_second"),
    [
        ([(0, 7.0)], 0.0),
        ([(5, 7.0), (5, 9.0)], 0.0),  # no time went by
        ([(0, 0.0), (2 * S, 6.0)], 3.0),
        ([(0, 1.0), (4 * S, 5.0), (9 * S, 28.0)], 3.0),  # 27 in 9 s
        ([(0, 1.0), (4 * S, 5.0), (14 * S - 1, 29.0)], 28 / (14 - 1e-9)),  # 4 s is in the window
        ([(0, 1.0), (4 * S, 5.0), (14 * S, 29.0)], 2.4),  # 24 in 10 s: the window from 4 s on
        ([(0, 1.0), (4 * S, 5.0), (15 * S, 27.0)], 2.0),  # 22 in 11 s
        ([(0, 0.0), (90 * S, 45.0)], 0.5),  # two totals are kept, however old
        ([(0, 9.0), (3 * S, 3.0)], -2.0),
    ],
)
def test_rate_over_the_window(totals: list[tuple[int, float]], per_second: float) -> None:
    """The rise since the newest total that is at least 10 s old, or since the first."""
    times, values = (np.array(column) for column in zip(*totals, strict=True))
    rates = sliding_rate(times.astype(np.int64), values, 10 * S)
    assert rates[-1] == pytest.approx(per_second, rel=1e-12)


def test_readings_and_cells_have_rates_of_their_own() -> None:
    """Readings over the last 0.5 s, measured cells over the last 20 s."""
    rates = RunRates()
    for k in range(1, 21):
        follow(rates, k * S, readings=100 * k, measured=10 * k)
    follow(rates, 20 * S + S // 2, readings=2200, measured=210)
    assert rates.rate == 400.0  # 200 in the last 0.5 s
    assert rates.cell_rate == pytest.approx(210 / 20.5)
    follow(rates, 21 * S, readings=2200, measured=210)
    assert rates.rate == 0.0
    assert rates.cell_rate == 10.0  # 200 since 1 s


@pytest.mark.parametrize("cut", [False, True])
def test_halts_leave_the_pace_of_a_scan(cut: bool) -> None:
    """Ten cells per second of motion, also after a halt of a minute and in the first second of a run."""
    tenth = S // 10
    moving = np.concatenate((np.arange(1, 51), np.arange(651, 681))) * tenth
    instants = np.concatenate((moving[:50], np.arange(51, 651) * tenth, moving[50:]))
    at = np.searchsorted(moving, instants, side="right")  # tenths of a second in motion, and cells
    rates = RunRates(0, measured=400)
    settled = [0, *moving.tolist()]
    way = path([10.0 * k for k in range(81)], settled=settled)
    rates.follow(instants[:0], path=way, readings=at[:0], measured=at[:0])
    paces = []
    for some in np.array_split(np.arange(instants.size), instants.size if cut else 3):
        rates.follow(instants[some], path=None, readings=at[some], measured=400 + at[some])
        paces.append(rates.cell_rate)
    # The speed is that of half a second: the first of a halt still count as motion.
    assert paces[-1] == pytest.approx(10.0, rel=0.15)
    assert min(paces) > 8.0


@pytest.mark.parametrize(("hits", "limit"), [(1, 400.0), (4, 100.0)])
def test_speed_limit_gives_each_cell_its_hits(hits: int, limit: float) -> None:
    """A reading every 5 ms in cells of 2 mm: 400 mm/s for one hit per cell, unknown before any."""
    made = station(station_text(survey=f"hits_per_cell = {hits}"))
    inputs = DeviceInputs(made, {})
    grid = Grid(
        scan=Axis(name="scan", start=0.0, resolution=2.0, cells=9),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=CellRule.MINIMUM,
    )
    assert speed_limit(inputs, made, grid) is None
    inputs.placer.add_readings(readings([0, 5 * MS, 10 * MS]))
    assert speed_limit(inputs, made, grid) == limit


VERIFICATION = '[verification]\nsteps = ["12 mm"]\ntolerance = "0.1 mm"\ninterval = "1 h"\n'
PLAN = Grid(
    scan=Axis(name="scan", start=0.0, resolution=2.0, cells=9),
    index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
    rule=CellRule.MINIMUM,
)


def progress_at(
    time: int, *, slips: tuple[Slip, ...] = (), last_pass: int | None = None, cells: int = 0
) -> ProgressSnapshot:
    """Return the progress at `time`, ns UTC, with a check due each hour, on a plan of 9 cells.

    In the 20 s before it so many cells were measured.
    """
    coverage = Coverage(PLAN, stepped=False)
    coverage.measured = cells
    suspect_cells = SuspectCells(PLAN, coverage)
    if last_pass is not None:
        suspect_cells.checks.last_passes[0] = last_pass
    slipped_cells = SlippedCells(PLAN, coverage)
    for slip in slips:
        slipped_cells.take(slip, 0, time)
    rates = RunRates()
    follow(rates, 20 * S, measured=cells)
    return progress_of(
        time=time,
        station=station(station_text() + VERIFICATION),
        grid=PLAN,
        coverage=coverage,
        inputs=None,
        suspect_cells=suspect_cells,
        minimum=MinimumThickness(PLAN),
        spurious=SpuriousWatch(PLAN, apart=False),
        rates=rates,
        slipped_cells=slipped_cells,
        lift=None,
        readings=7,
        unplaced=2,
        probe_echoes=ProbeEchoes(("",)),
        of_probes=no_counts(),
        calibration=CalibrationInForce(),
        utc_offset=0,
    )


def test_check_is_overdue_after_its_interval() -> None:
    """At the hour itself the check is due, 1 ns later it is overdue; before any passed, neither."""
    hour = 3600 * S
    for time, overdue in ((S + hour - 1, False), (S + hour, False), (S + hour + 1, True)):
        progress = progress_at(time, last_pass=S)
        assert progress.check_due == moment(S + hour)
        assert progress.check_overdue == overdue
    never = progress_at(9 * hour)
    assert (never.check_due, never.check_overdue) == (None, False)


def test_slips_are_counted_and_the_last_one_is_located() -> None:
    """The position is that of the newest slip."""
    made = [Slip("scan", 0, k, k, 10.0 * k, 2.5) for k in (1, 2, 3)]
    progress = progress_at(S, slips=tuple(made))
    assert (progress.slips, progress.slipped_at) == (3, 30.0)
    none = progress_at(S)
    assert (none.slips, none.slipped_at) == (0, None)


@pytest.mark.parametrize(
    ("cells", "percent", "seconds_left"),
    [(0, 0.0, None), (1, 11.11, 160.0), (3, 33.33, 40.0), (9, 100.0, 0.0)],
)
def test_time_left_at_the_rate_of_new_cells(
    cells: int, percent: float, seconds_left: float | None
) -> None:
    """With 3 of 9 cells measured in 20 s the other 6 take 40 s; at no rate it is unknown."""
    progress = progress_at(S, cells=cells)
    assert (progress.measured, progress.required, progress.percent) == (cells, 9, percent)
    assert progress.seconds_left == seconds_left
    assert (progress.line, progress.scan, progress.index) == (None, None, None)
    assert (progress.readings, progress.unplaced, progress.outside) == (7, 2, 0)
    assert (progress.speed, progress.speed_limit, progress.too_fast) == (0.0, None, False)


def moved(speeds: list[float], cuts: list[int]) -> RunRates:
    """Return rates after so many instants at these speeds in mm/s, followed in pieces."""
    rates = RunRates()
    places = np.concatenate(([0.0], np.cumsum(np.array(speeds) / 20)))
    times = np.arange(places.size) * S // 20
    for first, end in itertools.pairwise([0, *cuts, len(speeds)]):
        piece = slice(first, end + 1)
        way = path(places[piece].tolist(), settled=times[piece].tolist())
        follow(rates, *times[first + 1 : end + 1].tolist(), way=way)
    return rates


def test_usual_speed_is_that_of_the_motion() -> None:
    """Stops do not lower it, nor does an encoder that flickers at rest; before a second it is 0."""
    assert moved([100.0] * 19, []).usual_speed == 0.0
    assert moved([100.0] * 40, []).usual_speed == pytest.approx(100.0)
    stopping = [*[100.0] * 200, *[0.0] * 400, *[1.0, -1.0] * 200]
    assert moved(stopping, []).usual_speed == pytest.approx(100.0, rel=0.05)


def test_usual_speed_is_of_the_last_twenty_seconds_of_motion() -> None:
    """What was before that does not count, however long the stops in between."""
    fast, slow, rest = [200.0] * 600, [50.0] * 400, [0.0] * 1000
    assert moved([*fast, *rest, *slow], []).usual_speed == pytest.approx(50.0, rel=0.03)
    assert moved([*fast, *rest, *slow[:200]], []).usual_speed > 120


@pytest.mark.parametrize("cuts", [[1], [7, 8, 500], [995], list(range(1, 1000, 13))])
def test_usual_speed_does_not_depend_on_how_it_is_followed(cuts: list[int]) -> None:
    """In one piece or in many, to the last bit."""
    speeds = [*[180.0] * 450, *[3.0] * 100, *[90.0] * 250, *[77.7] * 200]
    assert moved(speeds, cuts).usual_speed == moved(speeds, []).usual_speed
