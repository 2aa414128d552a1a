"""The whole way from journal entries to cells and gaps, on motions that are known exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.handmade import FREE, feed
from swathe.errors import MisuseError
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.pipeline import CellState, GapCause, GapEnd, GapSnapshot, Pipeline
from swathe.station import AlarmKind, parse_station

MS = 1_000_000
S = 1_000_000_000

HEAD = """
name = "test"
[survey]
folder = "survey"
[calibration]
velocity = "6 mm/us"
zero_offset = "0.5 us"
"""
SCAN = """
[scan]
length = "100 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
"""
ENCODER = """
[device.encoder]
port = "socket://encoder:1"
triggered = true
protocol.columns = [{ is = "counts", axis = "scan" }]
"""
ENCODER_XY = """
[device.encoder]
port = "socket://encoder:1"
triggered = true
protocol.columns = [{ is = "counts", axis = "scan" }, { is = "counts", axis = "index" }]
"""
GAUGE = """
[device.gauge]
port = "socket://gauge:1"
triggered = true
protocol.columns = [
  { is = "time_of_flight", unit = "us", min = 0, max = 50 },
  { is = "status", valid = ["E"], invalid = ["N"] },
]
"""
INDEX = """
[index]
length = "20 mm"
resolution = "5 mm"
device = "encoder"
counts_per_mm = 10
"""
# The probe is put on another line from one sample to the next.
JUMPING = INDEX + FREE

# Records come at once: by arrival they are in their places.
PROMPT = HEAD + SCAN + '[placing]\nlateness = "1 ms"\n' + ENCODER + GAUGE

Place = Callable[[float], tuple[float, float]]
Echo = Callable[[float, float, float], str | None]


def opened(text: str, time: int = 0) -> Mark:
    """Return a run's first mark."""
    detail = {"survey": "s", "station": text, "versions": {}, "utc_ns": time + 10**18}
    return Mark(time, MarkKind.OPENED, detail)


def echo(_seconds: float, _scan: float, _index: float) -> str | None:
    """Return the gauge's line for 12 mm of wall, wherever it is."""
    return "4.5000,E"


def scan(
    place: Place,
    seconds: float,
    *,
    start: float = 0.0,
    gauge: Echo = echo,
    gauge_ms: int = 10,
    encoder_ms: int = 5,
    two_axes: bool = False,
) -> Iterator[Entry]:
    """Yield what two devices without delay send while the probe is at `place`, tick by tick."""
    for ms in range(round(start * 1000), round((start + seconds) * 1000)):
        now = ms / 1000
        at, index = place(now)
        if ms % encoder_ms == 0:
            counts = f"{round(at * 10)},{round(index * 10)}" if two_axes else f"{round(at * 10)}"
            yield Chunk(ms * MS, "encoder", f"{counts}\r\n".encode())
        if ms % gauge_ms == 0:
            line = gauge(now, at, index)
            if line is not None:
                yield Chunk(ms * MS, "gauge", f"{line}\r\n".encode())
        if ms % 50 == 0:
            yield Tick(ms * MS)


def run(text: str, *entries: Iterator[Entry]) -> Pipeline:
    """Feed a run and return the pipeline."""
    pipeline = Pipeline(parse_station(text, "test"))
    pipeline.feed(opened(text))
    for part in entries:
        feed(pipeline, part)
    return pipeline


def run_noting(
    text: str, *entries: Iterator[Entry]
) -> tuple[Pipeline, list[tuple[int, GapSnapshot]]]:
    """Feed a run one by one; return the pipeline and each change of a gap with the journal's time."""
    pipeline = Pipeline(parse_station(text, "test"))
    pipeline.feed(opened(text))
    changes: list[tuple[int, GapSnapshot]] = []
    for part in entries:
        for entry in part:
            pipeline.feed(entry)
            if isinstance(entry, Tick | Mark):
                changes += [(entry.time, note) for note in pipeline.take_gap_snapshots()]
    return pipeline, changes


def steady(speed: float, *, start: float = 0.0, begin: float = 0.0, index: float = 0.0) -> Place:
    """Return a motion at one speed."""
    return lambda now: (begin + speed * (now - start), index)


def states(pipeline: Pipeline) -> np.ndarray[Any, Any]:
    """Return the grid's states by row."""
    return pipeline.grid.state.reshape(pipeline.grid.shape)


def test_feed_before_the_opening_mark_is_refused() -> None:
    """A journal that does not begin with the mark that opens the run is a bug of ours."""
    pipeline = Pipeline(parse_station(HEAD + SCAN + ENCODER + GAUGE, "test"))
    with pytest.raises(MisuseError, match="must be the mark that opens the run"):
        pipeline.feed(Tick(0))


def test_profile_is_measured_by_the_calibration() -> None:
    """A line profile at a steady speed: every cell measured, velocity × (time − zero) / 2."""
    pipeline, changes = run_noting(HEAD + SCAN + ENCODER + GAUGE, scan(steady(50, begin=-5), 2.4))
    assert np.all(states(pipeline) == CellState.MEASURED)
    assert pipeline.grid.thickness == pytest.approx(6 * (4.5 - 0.5) / 2)
    assert pipeline.target_reached
    assert not [note for _, note in changes if note.is_open]
    assert pipeline.progress().unplaced == 0


def test_lost_echo_is_a_gap_in_time_and_closes_on_revisit() -> None:
    """No echo from 40 to 50 mm: told within 250 ms after the probe left it, closed when redone."""

    def lost(now: float, at: float, _index: float) -> str | None:
        return "0.0000,N" if 40 <= at < 50 and now < 3 else "4.5000,E"

    def there_and_back(now: float) -> tuple[float, float]:
        return (50 * now - 5, 0.0) if now < 2.2 else (105 - 50 * (now - 2.2), 0.0)

    pipeline, changes = run_noting(PROMPT, scan(there_and_back, 4.4, gauge=lost))
    first_time, first = changes[0]
    assert first.is_open
    assert first.cause is GapCause.NO_SIGNAL
    # Cell 41 is the first that is lost as a whole; the probe is two cells on at (41 + 2 + 5) / 50 s.
    assert first_time / S - (first.scan[0] + 2.5 + 5) / 50 < 0.25
    last = changes[-1][1]
    assert (last.is_open, last.end) == (False, GapEnd.MEASURED)
    assert last.scan == pytest.approx((40.5, 49.5), abs=1.01)
    assert pipeline.target_reached


def test_measured_cell_is_never_downgraded() -> None:
    """A later pass without echo leaves what was measured as it was."""

    def fades(now: float, _at: float, _index: float) -> str | None:
        return "4.5000,E" if now < 2.2 else "0.0000,N"

    def there_and_back(now: float) -> tuple[float, float]:
        return (50 * now - 5, 0.0) if now < 2.2 else (105 - 50 * (now - 2.2), 0.0)

    pipeline = run(HEAD + SCAN + ENCODER + GAUGE, scan(there_and_back, 4.4, gauge=fades))
    assert np.all(states(pipeline) == CellState.MEASURED)
    assert np.all(pipeline.grid.passes >= 2)


def test_too_fast_is_skipped_and_silence_is_no_signal() -> None:
    """Between two ordinary readings a cell is skipped; where the gauge said nothing, no signal."""
    prompt = '[placing]\nlateness = "1 ms"\n'
    pipeline = run(HEAD + prompt + SCAN + ENCODER + GAUGE, scan(steady(300, begin=-20), 0.5))
    kinds = set(np.unique(states(pipeline)[0, 3:98]))
    assert kinds == {CellState.SKIPPED, CellState.MEASURED}
    # Where records may be 100 ms late, 30 mm of travel, no cell can be said to be skipped.
    pipeline = run(HEAD + SCAN + ENCODER + GAUGE, scan(steady(300, begin=-20), 0.5))
    kinds = set(np.unique(states(pipeline)[0, 3:98]))
    assert kinds == {CellState.UNCERTAIN, CellState.MEASURED}
    assert pipeline.coverage.gaps.open[0].cause is GapCause.UNCERTAIN

    def silent(_now: float, at: float, _index: float) -> str | None:
        return None if 40 <= at < 60 else "4.5000,E"

    by_rate = (HEAD + SCAN + ENCODER + GAUGE).replace("triggered = true", "")
    pipeline = run(by_rate, scan(steady(50, begin=-5), 3.2, gauge=silent))
    assert np.all(states(pipeline)[0, 41:59] == CellState.NO_SIGNAL)
    assert [gap.cause for gap in pipeline.coverage.gaps.open] == [GapCause.NO_SIGNAL]


def test_silent_gauge_opens_its_gap_within_250_ms() -> None:
    """A gauge that says nothing at all any more is told about while the probe goes on."""

    def dies(_now: float, at: float, _index: float) -> str | None:
        return None if at > 40 else "4.5000,E"

    _, changes = run_noting(
        HEAD + SCAN + ENCODER + GAUGE, scan(steady(50, begin=-5), 2.0, gauge=dies)
    )
    first_time, first = changes[0]
    assert first.is_open
    assert first_time / S - (first.scan[0] + 2.5 + 5) / 50 < 0.25


def test_serpentine_with_a_line_left_out() -> None:
    """On an encoded index axis a line that was jumped is a gap once the next one is scanned."""

    def rows(now: float) -> tuple[float, float]:
        line = int(now // 3)
        along = min(max((now - 3 * line - 0.4) * 60 - 6, -6.0), 106.0)
        return (along if line % 2 == 0 else 100 - along, (0, 5, 15, 20)[min(line, 3)] * 1.0)

    text = HEAD + SCAN + JUMPING + ENCODER_XY + GAUGE
    pipeline, changes = run_noting(text, scan(rows, 12.0, two_axes=True))
    (gap,) = pipeline.coverage.gaps.open
    assert gap.cause is GapCause.UNVISITED
    assert gap.index == (7.5, 12.5)
    assert gap.scan == (-0.5, 100.5)
    opened_at = next(time for time, note in changes if note.is_open)
    assert 6.4 * S < opened_at < 8.2 * S  # while line 15 mm is run, not before
    assert np.all(states(pipeline)[[0, 1, 3, 4]] == CellState.MEASURED)


def test_way_to_the_start_opens_no_gap() -> None:
    """Crossing lines on the way to the first one leaves nothing behind."""

    def to_start(now: float) -> tuple[float, float]:
        return (50.0, max(20 - 20 * now, 0.0))

    text = HEAD + SCAN + INDEX + ENCODER_XY + GAUGE
    _, changes = run_noting(text, scan(to_start, 2.0, two_axes=True))
    crossed = [note for _, note in changes if note.is_open and note.cells > 1]
    assert crossed == []


def test_excluded_zone_is_not_required() -> None:
    """An obstruction that the plan names is no gap, and the plan is covered without it."""
    zone = '[[exclude]]\nname = "lug"\nscan = ["30 mm", "40 mm"]\n'

    def lug(_now: float, at: float, _index: float) -> str | None:
        return "0.0000,N" if 29.6 <= at < 40.4 else "4.5000,E"

    pipeline, changes = run_noting(
        HEAD + SCAN + zone + ENCODER + GAUGE, scan(steady(50, begin=-5), 2.4, gauge=lug)
    )
    assert pipeline.target_reached
    assert pipeline.coverage.required == 101 - 11
    assert changes == []


def test_stepped_lines_by_mark_and_by_return() -> None:
    """The next line is told by a mark, or by the probe's return to the start."""
    stepped = '[index]\nlength = "10 mm"\nresolution = "5 mm"\nmode = "stepped"\n'

    def again(now: float) -> tuple[float, float]:
        phase = now % 4
        return (min(50 * phase - 5, 105) if phase < 2.5 else max(105 - 100 * (phase - 2.5), -5), 0)

    text = HEAD + SCAN + stepped + ENCODER + GAUGE
    entries = list(scan(again, 12.0))
    marks = [
        Mark(3_900 * MS, MarkKind.LINE, {"line": 1}),
        Mark(7_900 * MS, MarkKind.LINE, {"line": 2}),
    ]
    merged = sorted([*entries, *marks], key=lambda entry: entry.time)
    by_mark = run(text, iter(merged))
    assert np.all(states(by_mark) == CellState.MEASURED)
    by_return = run(text.replace('stepped"', 'stepped"\nadvance = "return"'), iter(entries))
    assert np.all(states(by_return)[:, 3:] == CellState.MEASURED)
    assert by_return.line == 2


def test_ended_run_lists_the_rest_and_the_next_withdraws_it() -> None:
    """When a run ends, what is still to come is listed; when one goes on, it no longer is."""
    text = HEAD + SCAN + ENCODER + GAUGE
    pipeline = run(text, scan(steady(50, begin=-5), 1.2))
    pipeline.feed(Mark(1200 * MS, MarkKind.ENDED, {"status": "incomplete", "reason": ""}))
    (rest,) = pipeline.take_gap_snapshots()
    assert (rest.is_open, rest.cause, rest.scan[1]) == (True, GapCause.UNVISITED, 100.5)
    pipeline.feed(opened(text, 5 * S))
    (gone,) = pipeline.take_gap_snapshots()
    assert gone.end is GapEnd.WITHDRAWN
    assert pipeline.runs == 2
    for entry in scan(steady(50, start=5.0, begin=50.0), 1.3, start=5.0):
        pipeline.feed(entry)
    assert pipeline.target_reached


def test_encoder_lost_readings_are_unplaced() -> None:
    """Readings that no encoder samples bracket within the limit are counted, not guessed."""

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(50, begin=-5), 2.4):
            if isinstance(entry, Chunk) and entry.port == "encoder" and S <= entry.time < 1.5 * S:
                continue
            yield entry

    pipeline = run(HEAD + SCAN + ENCODER + GAUGE, entries())
    progress = pipeline.progress()
    assert progress.unplaced == pytest.approx(50, abs=2)
    lost = states(pipeline)[0, 47:68]
    assert np.all(lost == CellState.UNVISITED)
    (gap,) = pipeline.coverage.gaps.open
    assert gap.cause is GapCause.UNVISITED


def test_standing_still_encoder_that_sends_on_change() -> None:
    """An encoder that is silent while it stands places the readings taken there."""

    def stops(now: float) -> tuple[float, float]:
        if now < 1:
            return 50 * now - 5, 0.0
        return (45.0, 0.0) if now < 3 else (45 + 50 * (now - 3), 0.0)

    def entries() -> Iterator[Entry]:
        last = b""
        for entry in scan(stops, 4.4):
            if isinstance(entry, Chunk) and entry.port == "encoder":
                if entry.data == last:
                    continue
                last = entry.data
            yield entry

    text = HEAD + SCAN + ENCODER.replace("port =", "on_change = true\nport =") + GAUGE
    pipeline = run(text, entries())
    assert pipeline.target_reached
    assert pipeline.progress().unplaced == 0
    assert pipeline.grid.hits[45] > 150


def test_gap_across_the_seam_of_a_pipe_is_one() -> None:
    """A circumference: positions are modulo it, and a gap across the seam is one gap."""
    around = """
[scan]
length = "200 mm"
resolution = "2 mm"
mode = "wrapped"
device = "encoder"
counts_per_mm = 10
"""

    def lost(_now: float, at: float, _index: float) -> str | None:
        return "0.0000,N" if at % 200 > 190 or at % 200 < 10 else "4.5000,E"

    pipeline = run(HEAD + around + ENCODER + GAUGE, scan(steady(100, begin=50.0), 2.6, gauge=lost))
    assert pipeline.grid.shape == (1, 100)
    (gap,) = pipeline.coverage.gaps.open
    assert gap.scan[0] == pytest.approx(191, abs=2.1)
    assert gap.scan[1] == pytest.approx(209, abs=2.1)


def test_combined_device_carries_its_own_place() -> None:
    """Records with position and reading in one line need no bracket, whenever they arrive."""
    both = """
[device.encoder]
port = "socket://both:1"
protocol.columns = [
  { is = "counts", axis = "scan" },
  { is = "thickness", unit = "mm" },
]
"""

    def entries() -> Iterator[Entry]:
        for k in range(-5, 106):
            # Ten lines arrive at once, as a network port hands them over.
            yield Chunk(
                (k // 10) * 100 * MS + 10**9, "encoder", f"{k * 10},{10 + k / 100}\r\n".encode()
            )
            if k % 10 == 9:
                yield Tick((k // 10) * 100 * MS + 10**9 + 1)
        yield Tick(20 * 10**9)

    pipeline = run(HEAD + SCAN + both, entries())
    assert pipeline.grid.thickness == pytest.approx(10 + np.arange(101) / 100)
    assert pipeline.target_reached


def test_garbage_is_counted_where_it_stands() -> None:
    """Bad bytes in mid-stream are faults with their offset; every other line has its reading."""

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(50, begin=-5), 2.4):
            yield entry
            if isinstance(entry, Chunk) and entry.port == "gauge" and entry.time == S:
                yield Chunk(entry.time + 1, "gauge", b"\xff\x00junk\r\nnan,E\r\n99.0,E\r\n4.5")
                yield PortChange(entry.time + 2, "gauge", "lost", "pulled")
                yield PortChange(entry.time + 3, "gauge", "open", "")

    pipeline = run(HEAD + SCAN + ENCODER + GAUGE, entries())
    tally = pipeline.tallies["gauge"]
    offset = 101 * len("4.5000,E\r\n")
    assert {fault.reason.value: fault.offset for fault in tally.recent} == {
        "columns": offset,
        "not_finite": offset + 8,
        "out_of_range": offset + 15,
        "partial": offset + 23,
    }
    assert tally.readings == 235  # the last 50 ms wait for a later tick
    assert pipeline.target_reached


def test_same_entries_give_the_same_arrays() -> None:
    """Two pipelines fed the same entries agree bit for bit, gaps and all."""

    def patchy(now: float, at: float, _index: float) -> str | None:
        if 20 < at < 30:
            return None
        return "0.0000,N" if 60 < at < 63 else f"{4.5 + 0.1 * np.sin(now * 7):.4f},E"

    text = HEAD + SCAN + ENCODER + GAUGE
    entries = list(scan(steady(70, begin=-5), 1.8, gauge=patchy))
    first, first_changes = run_noting(text, iter(entries))
    second, second_changes = run_noting(text, iter(entries))
    assert first_changes == second_changes
    assert first.progress() == second.progress()
    for layer in ("thickness", "hits", "passes", "last_time", "state"):
        assert getattr(first.grid, layer).tobytes() == getattr(second.grid, layer).tobytes()
    means = [each.grid.mean_thickness(slice(None)).tobytes() for each in (first, second)]
    assert means[0] == means[1]


def test_speed_limit_warns_before_cells_are_skipped() -> None:
    """The highest speed is resolution × reading rate / wanted hits; the warning comes before it."""
    text = HEAD.replace("[calibration]", "hits_per_cell = 2\n[calibration]") + SCAN
    pipeline = run(text + ENCODER + GAUGE, scan(steady(30, begin=-5), 2.0))
    progress = pipeline.progress()
    assert progress.speed_limit == pytest.approx(50.0)  # 1 mm × 100 / s / 2
    assert progress.speed == pytest.approx(30, abs=1)
    assert not progress.too_fast
    pipeline = run(text + ENCODER + GAUGE, scan(steady(45, begin=-5), 2.0))
    assert pipeline.progress().too_fast
    assert pipeline.coverage.gaps.open == []


def test_encoder_glitch_moves_no_reading() -> None:
    """A count read wrong is kept out, told, and no reading lands where the probe never was."""

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(50, begin=-5), 2.4):
            if isinstance(entry, Chunk) and entry.port == "encoder" and entry.time == S:
                yield Chunk(entry.time, "encoder", b"987\r\n")
            else:
                yield entry

    text = HEAD + SCAN.replace("[scan]", '[scan]\nmax_speed = "200 mm/s"') + ENCODER + GAUGE
    pipeline = run(text, entries())
    assert pipeline.tallies["encoder"].glitches == 1
    assert pipeline.target_reached
    assert pipeline.progress().unplaced == 0
    assert np.max(pipeline.grid.passes) == 1


def test_slip_is_told_where_it_happens() -> None:
    """A wheel that slips by 6 mm against the motor's own counts is told once, with its place."""
    motor = """
[device.motor]
port = "socket://motor:1"
protocol.columns = [{ is = "counts", axis = "steps" }]
"""
    second = (
        '[scan.second]\ndevice = "motor"\ncounts = "steps"\ncounts_per_mm = 4\ntolerance = "2 mm"\n'
    )

    def entries(slip: float, start: float = 0.0) -> Iterator[Entry]:
        for entry in scan(steady(50, begin=-5, start=start), 2.4, start=start):
            if isinstance(entry, Chunk) and entry.port == "encoder":
                counts = int(entry.data)
                true = counts / 10
                if true > 45:  # from here on the wheel is behind, after slipping over half of it
                    counts -= round(10 * min(2 * (true - 45), slip))
                yield Chunk(entry.time, "encoder", f"{counts}\r\n".encode())
                yield Chunk(entry.time, "motor", f"{round(true * 4 + 700)}\r\n".encode())
            else:
                yield entry

    text = HEAD + SCAN + second + ENCODER + motor + GAUGE
    pipeline = run(text, entries(6.0))
    total = sum(slip.distance for slip in pipeline.slipped_cells.slips)
    assert total == pytest.approx(-6, abs=2)
    found = pipeline.slipped_cells.slips[0]
    assert found.position == pytest.approx(45, abs=3)
    # No cell counts whose reading is off by more than half the tolerance, whichever source is right.
    states = pipeline.grid.state.tolist()
    assert states[:41] == [CellState.MEASURED] * 41
    assert CellState.MEASURED not in states[46:]
    assert found.cells >= 1
    assert sum(slip.later for slip in pipeline.slipped_cells.slips) > 30
    assert pipeline.progress().suspect == states.count(CellState.SUSPECT) > 40
    assert not pipeline.target_reached
    fewer = run(text.replace("[survey]", "[survey]\ntarget_coverage = 20", 1), entries(6.0))
    assert fewer.coverage.percent > 20
    assert not fewer.target_reached
    (alarm,) = [a for a in pipeline.alarms.alarms if a.kind is AlarmKind.SLIP]
    assert "behind its second source" in alarm.detail
    assert pipeline.progress().slips == len(pipeline.slipped_cells.slips) <= 2
    steady_run = run(text, entries(0.0))
    assert steady_run.tallies["motor"].positions > 400
    assert steady_run.slipped_cells.slips == []
    # A reference sets the wheel's position, not the motor's: their difference changes, no slip.
    steady_run.feed(Mark(2450 * MS, MarkKind.REFERENCED, {"scan": 500.0, "by": "crawler"}))
    for entry in entries(0.0, start=2.5):
        steady_run.feed(entry)
    assert steady_run.slipped_cells.slips == []


def plain_cells(
    moves: list[tuple[float, int]], turn: int
) -> tuple[list[tuple[int, str]], list[tuple[int, float]], dict[int, int]]:
    """Return encoder lines, reading times and hits by cell, worked out one reading at a time.

    A model in plain Python of what placing has to do: the probe moves in steady stretches of
    `moves` (mm/s, ms), the encoder's counter rolls over at `turn` counts, each reading is placed by
    the two samples around it.
    """
    samples: list[tuple[int, float]] = []
    now, at = 0, 10.0  # within half a turn of the narrowest counter's zero
    for speed, duration in moves:
        for _ in range(duration // 5):
            samples.append((now, at))
            now, at = now + 5, at + speed * 0.005
    samples.append((now, at))
    lines = [(ms, f"{round(place * 10) % turn}") for ms, place in samples]
    counted = [(ms, round(place * 10) / 10) for ms, place in samples]
    readings = [(ms, 0.0) for ms in range(3, now, 7)]
    hits: dict[int, int] = {}
    placed = []
    for ms, _ in readings:
        k = -(-ms // 5)  # samples come every 5 ms
        (t0, p0), (t1, p1) = counted[max(k - 1, 0)], counted[k]
        place = p1 if t1 == ms else p0 + (p1 - p0) * (ms - t0) / (t1 - t0)
        placed.append((ms, place))
        cell = int(np.floor(place + 0.5))
        if 0 <= cell <= 100:
            hits[cell] = hits.get(cell, 0) + 1
    return lines, placed, hits


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(
            st.sampled_from([-180.0, -60.0, -7.0, 0.0, 13.0, 55.0, 160.0]), st.integers(5, 600)
        ),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from([8, 16, 24]),
)
def test_random_motion_agrees_with_a_plain_model(moves: list[tuple[float, int]], bits: int) -> None:
    """Reversals, stops and counter roll-over: the same cells as a reading-by-reading model."""
    turn = 1 << bits
    lines, placed, hits = plain_cells(moves, turn)
    text = (
        (HEAD + SCAN + FREE + ENCODER + GAUGE)
        .replace('axis = "scan" }', f'axis = "scan", bits = {bits} }}')
        .replace("counts_per_mm = 10", "counts_per_mm = 10\nzero_count = 0")
    )
    entries: list[Entry] = [Chunk(ms * MS, "encoder", f"{c}\r\n".encode()) for ms, c in lines]
    entries += [Chunk(ms * MS, "gauge", b"4.5000,E\r\n") for ms, _ in placed]
    entries += [Tick(ms * MS) for ms in range(0, lines[-1][0] + 400, 50)]
    # A place on the very border of two cells may fall to either by the last digit of a float.
    near = {int(np.floor(p + 0.5)) for _, p in placed if abs(p % 1 - 0.5) < 1e-6}
    near |= {cell - 1 for cell in near}
    pipeline = run(text, iter(sorted(entries, key=lambda entry: entry.time)))
    found = {int(c): int(pipeline.grid.hits[c]) for c in np.flatnonzero(pipeline.grid.hits)}
    for cell in (hits.keys() | found.keys()) - near:
        assert found.get(cell, 0) == hits.get(cell, 0), f"cell {cell}"
    assert pipeline.progress().unplaced == 0


def test_thin_reading_on_an_obstruction_is_not_the_minimum() -> None:
    """What is read within an excluded zone is kept, but is not the wall's least thickness."""
    zone = '[[exclude]]\nname = "lug"\nscan = ["30 mm", "40 mm"]\n'

    def lug(_now: float, at: float, _index: float) -> str | None:
        return "1.5000,E" if 31 <= at < 39 else "4.5000,E"

    pipeline = run(HEAD + SCAN + zone + ENCODER + GAUGE, scan(steady(50, begin=-5), 2.4, gauge=lug))
    assert pipeline.grid.thickness[35] == pytest.approx(3.0)
    assert pipeline.progress().minimum == pytest.approx(12.0)
    assert pipeline.line_snapshot(0).minimum == pytest.approx(12.0)


def test_lost_encoder_does_not_fill_the_memory() -> None:
    """While one encoder is away, what waits for it is bounded, however long it takes."""

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(1, begin=0.0), 30.0):
            if not (isinstance(entry, Chunk) and entry.port == "encoder" and entry.time > S):
                yield entry

    pipeline = run(HEAD + SCAN + ENCODER + GAUGE, entries())
    assert pipeline._inputs is not None
    placer = pipeline._inputs.placer
    # Of 3000 readings those of the last 10.5 s, 30 times the bracket and the lateness.
    assert len(placer.probe_times.of[0]) < 1100
    assert placer.scan.times.size < 400
    assert pipeline.progress().unplaced > 2500


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(st.sampled_from([-400.0, -90.0, 0.0, 35.0, 220.0]), st.integers(10, 700)),
        min_size=1,
        max_size=5,
    )
)
def test_random_motion_around_a_pipe_agrees_with_a_plain_model(
    moves: list[tuple[float, int]],
) -> None:
    """Round and round a circumference of 100 mm, both ways: the same cells as a plain model."""
    lines, placed, _ = plain_cells(moves, 1 << 16)
    around = SCAN.replace('length = "100 mm"', 'length = "100 mm"\nmode = "wrapped"')
    text = (HEAD + around + FREE + ENCODER + GAUGE).replace('"scan" }', '"scan", bits = 16 }')
    hits: dict[int, int] = {}
    for _, place in placed:
        cell = int(np.floor(place + 0.5)) % 100
        hits[cell] = hits.get(cell, 0) + 1
    near = {int(np.floor(p + 0.5)) % 100 for _, p in placed if abs(p % 1 - 0.5) < 1e-6}
    near |= {(cell - 1) % 100 for cell in near}
    entries: list[Entry] = [Chunk(ms * MS, "encoder", f"{c}\r\n".encode()) for ms, c in lines]
    entries += [Chunk(ms * MS, "gauge", b"4.5000,E\r\n") for ms, _ in placed]
    entries += [Tick(ms * MS) for ms in range(0, lines[-1][0] + 400, 50)]
    pipeline = run(text, iter(sorted(entries, key=lambda entry: entry.time)))
    found = {int(c): int(pipeline.grid.hits[c]) for c in np.flatnonzero(pipeline.grid.hits)}
    for cell in (hits.keys() | found.keys()) - near:
        assert found.get(cell, 0) == hits.get(cell, 0), f"cell {cell}"


def test_index_mark_leaves_no_gap_behind() -> None:
    """A mark that sets the position anew by 20 mm: no cell in between was passed, none is a gap."""
    marked = ENCODER.replace("}]", '}, { is = "index_mark", axis = "scan" }]')
    text = HEAD + SCAN.replace("[scan]", '[scan]\nindex_mark_at = "30 mm"') + marked + GAUGE

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(50, begin=5.0), 1.5):
            if isinstance(entry, Chunk) and entry.port == "encoder":
                on = entry.time == 100 * MS  # at 10 mm of the wheel's own count
                yield Chunk(entry.time, "encoder", entry.data.rstrip() + b",%d\r\n" % on)
            else:
                yield entry

    pipeline, changes = run_noting(text, entries())
    assert [note for _, note in changes if note.is_open] == []
    got = states(pipeline)[0]
    assert np.all(got[5:10] == CellState.MEASURED)
    assert np.all(got[11:30] == CellState.UNVISITED)
    assert np.all(got[31:95] == CellState.MEASURED)


@pytest.mark.parametrize(
    ("port", "unanswered", "faults"),
    [("gauge", False, 0), ("gauge", True, 1), ("crawler", False, 0), ("crawler", True, 0)],
)
def test_only_unanswered_requests_of_a_device_are_faults(
    port: str, unanswered: bool, faults: int
) -> None:
    """What was sent and answered is no fault, and what a crawler's port sent concerns no device."""
    text = HEAD + SCAN + ENCODER + GAUGE
    pipeline = run(text, iter([Sent(MS, port, b"?", unanswered=unanswered), Tick(2 * MS)]))
    found = {name: tally.faults["unanswered"] for name, tally in pipeline.tallies.items()}
    assert found == {"encoder": 0, "gauge": faults}


def test_times_of_gaps_are_utc() -> None:
    """Gaps open and end at the UTC of the instant, every 50 ms, before the tick that shows it."""
    text = HEAD + SCAN + ENCODER + GAUGE

    def lost(now: float, at: float, _index: float) -> str | None:
        return "0.0000,N" if 40 <= at < 50 and now < 2 else "4.5000,E"

    def there_and_back(now: float) -> tuple[float, float]:
        return (50 * now - 5, 0.0) if now < 1.6 else (75 - 50 * (now - 1.6), 0.0)

    pipeline, changes = run_noting(text, scan(there_and_back, 2.8, gauge=lost))
    (gap,) = pipeline.coverage.gaps
    assert gap.opened == changes[0][0] - 50 * MS + 10**18
    assert gap.closed == changes[-1][0] - 50 * MS + 10**18
    pipeline.feed(Mark(3 * S, MarkKind.ENDED, {"status": "incomplete", "reason": ""}))
    pipeline.feed(opened(text, 5 * S))
    rest = pipeline.coverage.gaps.find(2)
    assert rest is not None
    assert (rest.opened, rest.closed, rest.end) == (
        3 * S + 10**18,
        10**18 + 5 * S,
        GapEnd.WITHDRAWN,
    )


def test_pending_readings_are_unplaced_once_the_run_has_ended() -> None:
    """Readings that await an encoder sample may still be placed in the run, and not after it."""
    text = HEAD + SCAN + ENCODER + GAUGE
    late = [Chunk(ms * MS, "gauge", b"4.5000,E\r\n") for ms in (500, 510, 520)]
    pipeline = run(text, scan(steady(50), 0.5), iter([*late, Tick(530 * MS)]))
    assert pipeline.status == "scanning"
    assert pipeline.progress().unplaced == 0
    pipeline.feed(Mark(540 * MS, MarkKind.ENDED, {"status": "incomplete", "reason": ""}))
    assert pipeline.progress().unplaced == 3
    pipeline.feed(opened(text, 5 * S))
    assert pipeline.progress().unplaced == 3


ASCANS = """
[echo]
time_of_flight = "back wall"
band = { centre = "5 MHz" }
[[echo.gate]]
name = "back wall"
start = "1 us"
width = "5 us"
measure = "peak"
threshold = "30 %"
[device.gauge]
driver = "frames"
port = "socket://gauge:1"
triggered = true
[device.gauge.protocol]
byte_order = "little"
framing = { kind = "fixed", sync = [0xA5, 0x5A, 0xA5, 0x5A], length = 260 }
fields = [
  { is = "waveform", type = "i2", samples = 128, interval = "50 ns", full_scale = 32767 },
]
"""


def ascan(number: int) -> np.ndarray[Any, Any]:
    """Return an A-scan with an echo at 4.5 us, whose first sample is a number."""
    us = np.arange(128) * 0.05 - 4.5
    echo = 20_000 * np.cos(2 * np.pi * 5 * us) * np.exp(-((us / 0.2) ** 2))
    samples: np.ndarray[Any, Any] = np.round(echo).astype("<i2")
    samples[0] = number
    return samples


@pytest.mark.parametrize("is_kept", [True, False])
def test_cells_keep_the_ascans_of_their_readings_if_the_station_states_it(is_kept: bool) -> None:
    """Thickness is measured on A-scans; each cell keeps one that was recorded in it, or none."""

    def entries() -> Iterator[Entry]:
        for entry in scan(steady(40, begin=-5), 2.9):
            if isinstance(entry, Chunk) and entry.port == "gauge":
                at = round(entry.time / S * 40 - 5)
                frame = b"\xa5\x5a\xa5\x5a" + ascan(at).tobytes()
                yield Chunk(entry.time, "gauge", frame)
            else:
                yield entry

    store = "[store]\nwaveforms = true\n" if is_kept else ""
    pipeline = run(HEAD + SCAN + ENCODER + ASCANS + store, entries())
    assert pipeline.target_reached
    assert pipeline.grid.thickness == pytest.approx(6 * (4.5 - 0.5) / 2, abs=0.1)
    if is_kept:
        assert pipeline.grid.waveform is not None
        kept = pipeline.grid.waveform.tolist()
        assert kept == [ascan(cell).tolist() for cell in range(101)]
    else:
        assert pipeline.grid.waveform is None
