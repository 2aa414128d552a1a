"""Several probes on one carriage: each reading in the cell under its probe, and gaps by probe."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_ENCODED,
    MS,
    START,
    VELOCITY,
    ended,
    feed,
    feed_noting,
    line,
    opened,
    port,
    station,
    station_text,
)
from daemon.station.test_law import record as record_of_steps
from daemon.strategies import readings
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.placing.probe_echoes import ProbeEchoes
from swathe.station import AlarmKind, parse_station

GAUGE = """
[device.{name}]
port = "ports/{name}"
[device.{name}.protocol]
columns = [
  {{is="constant", text="R"}},
  {{is="device_time", unit="ms"}},
  {{is="time_of_flight", unit="us", min=0.0, max=100.0}},
  {{is="status", valid=["E"], invalid=["N"]}},
]
checksum = {{kind="xor", after="*"}}
"""
PROBE = """
[[probe]]
name = "{name}"
device = "{name}"
scan = "{scan} mm"
index = "{index} mm"
"""
Wall = Callable[[int, float, float], float | str | None]
"""What a probe reads at a position, mm: its number, scan, index -> mm, "N", or None for silence."""


def text_of(
    offsets: dict[str, tuple[float, float]], *, rows: int = 8, columns: int = 20, more: str = ""
) -> str:
    """Return a station file with a gauge for each of the probes at these offsets."""
    text = station_text(scan_length=columns, index=INDEX_ENCODED.format(length=rows))
    gauges = "".join(GAUGE.format(name=name) for name in offsets if name != "gauge")
    probes = (
        PROBE.format(name=name, scan=scan, index=index) for name, (scan, index) in offsets.items()
    )
    return text + gauges + "".join(probes) + more


def drive(
    offsets: dict[str, tuple[float, float]],
    legs: list[tuple[float, float]],
    wall: Wall,
    *,
    speed: float = 0.1,
    ms: int = 5,
    begin: int = 0,
) -> Iterator[Entry]:
    """Yield the journal of a carriage whose datum goes from point to point, mm, at mm per ms.

    It begins `begin` ms after the start; 2 s without a byte follow.
    """
    now, at = begin, np.array(legs[0])
    for name in () if begin else ("encoder", *offsets):
        yield port(0, name, "open")
    for end in legs[1:]:
        whole = np.hypot(*(np.array(end) - at))
        steps = max(round(whole / (speed * ms)), 1)
        origin = at
        for step in range(1, steps + 1):
            at = origin + (np.array(end) - origin) * step / steps
            now += ms
            time = START + now * MS
            counts = ",".join(str(round(10 * mm)) for mm in at)
            yield Chunk(time, "encoder", line(f"P,{now},{counts}"))
            for number, (name, offset) in enumerate(offsets.items()):
                value = wall(number, *(at + offset))
                if isinstance(value, str):
                    yield Chunk(time, name, line(f"R,{now},0.000,{value}"))
                elif value is not None:
                    yield Chunk(time, name, line(f"R,{now},{2 * value / VELOCITY:.6f},E"))
            if now % 50 == 0:
                yield Tick(time)
    for _ in range(40):
        now += 50
        yield Tick(START + now * MS)


def surveyed(
    offsets: dict[str, tuple[float, float]],
    legs: list[tuple[float, float]],
    wall: Wall,
    *,
    more: str = "",
    rows: int = 8,
) -> Pipeline:
    """Return the pipeline after a drive."""
    text = text_of(offsets, more=more, rows=rows)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    feed(pipeline, drive(offsets, legs, wall))
    return pipeline


def plane(_number: int, scan: float, index: float) -> float:
    """Return a wall that is another one in each cell."""
    return 10 + 0.01 * round(scan) + 0.2 * round(index)


def states(pipeline: Pipeline) -> np.ndarray:
    """Return the state of each cell, shape of the grid."""
    return pipeline.grid.state.reshape(pipeline.grid.shape)


TWO = {"gauge": (0.0, 0.0), "second": (0.0, 3.0)}
FOUR = {"gauge": (0.0, 0.0), "b": (5.0, 1.0), "c": (0.0, 2.0), "d": (5.0, 3.0)}
ACROSS = [(-8.0, 2.0), (28.0, 2.0)]


def test_each_reading_is_in_the_cell_under_its_probe() -> None:
    """Both axes of the offset count, and the layer says whose reading it is."""
    pipeline = surveyed(FOUR, ACROSS, plane)
    grid = pipeline.grid
    measured = np.argwhere(states(pipeline) == CellState.MEASURED)
    assert sorted({row for row, _ in measured.tolist()}) == [2, 3, 4, 5]
    assert len(measured) == 4 * 21
    thickness = grid.thickness.reshape(grid.shape)
    probe = grid.probe.reshape(grid.shape)
    for row in range(2, 6):
        expected = 10 + 0.01 * np.arange(21) + 0.2 * row
        np.testing.assert_allclose(thickness[row], expected, atol=1e-5)
        assert set(probe[row].tolist()) == {row - 2}
    assert pipeline.coverage.gaps.open_count == 0


def test_a_cell_is_left_behind_when_the_last_probe_has_passed_it() -> None:
    """What the leading probe did not measure is no gap while another one is still to pass it."""
    offsets = {"gauge": (0.0, 0.0), "ahead": (10.0, 0.0)}

    def wall(number: int, scan: float, index: float) -> float | str:
        return "N" if number == 1 and 4.4 < scan < 7.6 else plane(number, scan, index)

    text = text_of(offsets)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    changes = feed_noting(pipeline, drive(offsets, [(-15.0, 2.0), (28.0, 2.0)], wall))
    assert changes == []
    assert (states(pipeline)[2] == CellState.MEASURED).all()

    def both(number: int, scan: float, index: float) -> float | str:
        return "N" if 4.4 < scan < 7.6 else plane(number, scan, index)

    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    changes = feed_noting(pipeline, drive(offsets, [(-15.0, 2.0), (28.0, 2.0)], both))
    # The trailing probe is at 7 after 220 ms; the gap grows behind it, never between both probes.
    assert min(ms for ms, _ in changes) > 220
    (gap,) = pipeline.coverage.gaps.open
    assert sorted((gap.cells % 21).tolist()) == [5, 6, 7]


def test_a_cell_of_the_upper_row_waits_for_its_trailing_probe() -> None:
    """Also where the lowest probe of the carriage is in another row."""
    offsets = {"gauge": (0.0, 0.0), "trailing": (0.0, 2.0), "ahead": (10.0, 2.0)}

    def wall(number: int, scan: float, index: float) -> float | str:
        return "N" if number == 2 and 4.4 < scan < 7.6 else plane(number, scan, index)

    text = text_of(offsets)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    assert feed_noting(pipeline, drive(offsets, [(-15.0, 2.0), (28.0, 2.0)], wall)) == []
    assert (states(pipeline)[4] == CellState.MEASURED).all()


def test_lines_between_the_probes_are_not_left_while_the_carriage_is_there() -> None:
    """Another pass may put a probe on them: they are gaps once the carriage has gone elsewhere."""
    sparse = {"gauge": (0.0, 0.0), "second": (0.0, 2.0)}
    there = [(-2.0, 1.0), (22.0, 1.0), (22.0, 2.0), (-2.0, 2.0)]
    pipeline = surveyed(sparse, there, plane)
    assert sorted(set(np.nonzero(states(pipeline) == CellState.MEASURED)[0].tolist())) == [
        1,
        2,
        3,
        4,
    ]
    assert pipeline.coverage.gaps.open_count == 0
    skipped = [(-2.0, 1.0), (22.0, 1.0), (22.0, 4.0), (-2.0, 4.0)]
    pipeline = surveyed(sparse, skipped, plane)
    (gap,) = pipeline.coverage.gaps.open
    assert set((gap.cells // 21).tolist()) == {2}


def test_gap_of_a_dead_probe_names_it() -> None:
    """The line of a probe that has no echo any more is a gap, and the cells know whose it is."""

    def wall(number: int, scan: float, index: float) -> float | str:
        return "N" if number == 2 and scan > 9.5 else plane(number, scan, index)

    pipeline = surveyed(FOUR, ACROSS, wall)
    (gap,) = pipeline.coverage.gaps.open
    assert set((gap.cells // 21).tolist()) == {4}
    assert sorted((gap.cells % 21).tolist()) == list(range(10, 21))
    assert set(pipeline.grid.probe[gap.cells].tolist()) == {2}
    assert (states(pipeline)[4, 10:] == CellState.NO_SIGNAL).all()


def test_a_probe_that_sends_nothing_any_more_leaves_no_signal() -> None:
    """Its silence is its own: the other probes' cells are measured."""

    def wall(number: int, scan: float, index: float) -> float | None:
        return None if number == 1 and scan > 9.5 else plane(number, scan, index)

    pipeline = surveyed(TWO, ACROSS, wall)
    assert (states(pipeline)[2] == CellState.MEASURED).all()
    assert (states(pipeline)[5, :10] == CellState.MEASURED).all()
    assert (states(pipeline)[5, 11:] == CellState.NO_SIGNAL).all()


TURNING = """
[carriage]
heading = { device = "compass", counts_per_degree = 10 }
[device.compass]
port = "ports/compass"
[device.compass.protocol]
columns = [{is="constant", text="H"}, {is="device_time", unit="ms"}, {is="counts", axis="heading"}]
checksum = {kind="xor", after="*"}
"""


def turned(degrees: Callable[[int], float], entries: Iterator[Entry]) -> Iterator[Entry]:
    """Yield entries, and a line of the compass with each of the encoder."""
    for entry in entries:
        yield entry
        if isinstance(entry, Chunk) and entry.port == "encoder":
            ms = (entry.time - START) // MS
            yield Chunk(entry.time, "compass", line(f"H,{ms},{round(10 * degrees(ms))}"))


def test_a_heading_turns_the_probes_with_the_carriage() -> None:
    """At 90 degrees a probe that was ahead is at a higher index position, one to the side behind."""
    offsets = {"gauge": (3.0, 0.0), "second": (0.0, 2.0)}
    text = text_of(offsets, more=TURNING)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    legs = drive(offsets, [(-8.0, 2.0), (28.0, 2.0)], lambda n, _scan, _index: 10.0 + n)
    feed(pipeline, turned(lambda _ms: 90.0, legs))
    rows = states(pipeline) == CellState.MEASURED
    assert sorted(set(np.nonzero(rows)[0].tolist())) == [2, 5]
    probe = pipeline.grid.probe.reshape(pipeline.grid.shape)
    assert set(probe[5].tolist()) == {0}  # 3 mm ahead is 3 mm up
    assert set(probe[2].tolist()) == {1}  # 2 mm up is 2 mm back: on the datum's row
    assert rows[5].all()
    assert rows[2].all()


def test_a_carriage_that_turns_in_motion_puts_each_reading_where_its_probe_was() -> None:
    """The heading is interpolated at the time of the reading."""
    offsets = {"gauge": (4.0, 0.0), "second": (0.0, 0.0)}
    text = text_of(offsets, more=TURNING)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def heading(ms: int) -> float:
        return 0.1 * ms  # 90 degrees after 900 ms

    def wall(number: int, _scan: float, _index: float) -> float:
        return 10.0 + number

    legs = drive(offsets, [(10.0, 2.0), (10.05, 2.0), (10.0, 2.0)] * 90, wall)
    feed(pipeline, turned(heading, (one for one in legs if one.time <= START + 900 * MS)))
    angles = np.deg2rad(np.arange(0, 90.1, 0.5))
    columns, rows = 10 + 4 * np.cos(angles), 2 + 4 * np.sin(angles)
    expected = set(pipeline.grid.cells_at(columns, rows).tolist())
    measured = np.flatnonzero(pipeline.grid.state == CellState.MEASURED)
    of_first = set(measured[pipeline.grid.probe[measured] == 0].tolist())
    assert of_first <= set(pipeline.grid.cells_at(columns, rows).tolist())
    assert len(expected - of_first) <= 1  # the last readings still wait


@pytest.mark.parametrize("order", ["as they are", "reversed"])
def test_the_order_of_the_entries_changes_only_the_numbers(order: str) -> None:
    """Which probe is the first one in the file has no effect on the cells."""
    offsets = dict(reversed(FOUR.items())) if order == "reversed" else FOUR
    pipeline = surveyed(offsets, ACROSS, lambda _n, scan, index: plane(0, scan, index))
    assert np.count_nonzero(states(pipeline) == CellState.MEASURED) == 4 * 21


def alarms_of(pipeline: Pipeline) -> list[tuple[AlarmKind, str]]:
    """Return kind and text of the alarms that are raised."""
    return [(one.kind, one.detail) for one in pipeline.alarms.alarms if one.until is None]


def test_a_dead_probe_is_noticed_within_a_second_and_named() -> None:
    """While the others have echoes, and neither earlier nor of a wall that gives none to any."""
    text = text_of(FOUR)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def wall(number: int, scan: float, index: float) -> float | str:
        return "N" if number == 2 and scan > -3 else plane(number, scan, index)

    noticed = None
    for entry in drive(FOUR, ACROSS, wall, speed=0.01):
        pipeline.feed(entry)
        if pipeline.dead_probes and noticed is None:
            noticed = entry.time
            assert pipeline.dead_probes == {2}
    dead_at = START + 500 * MS
    assert noticed is not None
    assert 0.8 <= (noticed - dead_at) / 1e9 <= 1.0
    assert [gap.probes for gap in pipeline.open_gap_snapshots()] == [("c",)]
    assert pipeline.open_gap_snapshots()[0].causes_text == "no signal (probe c)"


def test_a_probe_whose_echo_comes_back_is_alive_again() -> None:
    """The alarm of a probe ends with its echo."""
    text = text_of(TWO)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def wall(number: int, scan: float, index: float) -> float | None:
        return None if number == 1 and -6 < scan < 10 else plane(number, scan, index)

    kinds = set()
    was_dead = False
    for entry in drive(TWO, ACROSS, wall, speed=0.01):
        pipeline.feed(entry)
        was_dead |= pipeline.dead_probes == {1}
        kinds.update(alarms_of(pipeline))
    assert was_dead
    assert not pipeline.dead_probes
    text_of_alarm = "probe second: no readings, while other probes have echoes: check it, its cable and couplant"
    assert (AlarmKind.PROBE, text_of_alarm) in kinds


def test_a_wall_without_echo_for_all_probes_is_no_dead_probe() -> None:
    """A lifted carriage has an alarm of its own."""
    text = text_of(FOUR)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def wall(number: int, scan: float, index: float) -> float | str:
        return "N" if scan > 0 else plane(number, scan, index)

    for entry in drive(FOUR, ACROSS, wall, speed=0.01):
        pipeline.feed(entry)
        assert not pipeline.dead_probes
    assert AlarmKind.COUPLING in {kind for kind, _ in alarms_of(pipeline)}


def test_probes_far_apart_make_one_visit_to_each_cell_as_they_pass() -> None:
    """Readings that alternate between two cells are no second evidence of either."""
    far = {"gauge": (0.0, 0.0), "second": (8.0, 3.0)}
    pipeline = surveyed(far, [(-18.0, 2.0), (28.0, 2.0)], plane)
    count = pipeline.grid.visits.count.reshape(pipeline.grid.shape)
    assert set(count[2].tolist()) == {1}
    assert set(count[5].tolist()) == {1}


def test_a_second_probe_in_the_same_row_is_a_second_visit() -> None:
    """It comes to the cell once the carriage has moved on: with its own couplant."""
    behind = {"gauge": (0.0, 0.0), "ahead": (8.0, 0.0)}
    pipeline = surveyed(behind, [(-18.0, 2.0), (28.0, 2.0)], plane)
    count = pipeline.grid.visits.count.reshape(pipeline.grid.shape)
    assert set(count[2].tolist()) == {2}


def test_two_probes_in_one_cell_of_a_resting_carriage_make_one_visit() -> None:
    """However often they read there in turn."""
    rest = [(10.0, 2.0), (10.02, 2.0), (10.0, 2.0)] * 20
    pipeline = surveyed({"gauge": (0.0, 0.0), "second": (0.2, 0.0)}, rest, plane)
    assert pipeline.grid.visits.count.max() == 1
    assert pipeline.grid.hits.max() > 30


def test_readings_of_an_input_without_a_probe_count_nowhere_and_are_reported() -> None:
    """They have no place: which probe they are of nobody has said."""
    text = station_text(index=INDEX_ENCODED.format(length=4)).replace(
        '{is="constant", text="R"},', '{is="constant", text="R"}, {is="probe", inputs=[1, 2, 7]},'
    )
    text += "".join(
        f'[[probe]]\nname = "p{number}"\ninput = {number}\nindex = "{number} mm"\n'
        for number in (1, 2)
    )
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    feed(pipeline, (port(0, name, "open") for name in ("encoder", "gauge")))
    for ms in range(10, 1005, 5):  # 199 times
        time = START + ms * MS
        pipeline.feed(Chunk(time, "encoder", line(f"P,{ms},{ms // 5},0")))
        for source in (1, 2, 7):
            reading = line(f"R,{source},{ms},{2 * (9 + source) / VELOCITY:.6f},E")
            pipeline.feed(Chunk(time, "gauge", reading))
        if ms % 50 == 0:
            pipeline.feed(Tick(time))
    pipeline.feed(Tick(START + 1500 * MS))
    ((kind, detail),) = alarms_of(pipeline)
    pipeline.feed(ended(START + 1600 * MS))  # the last readings wait for the clock to go on
    thickness = pipeline.grid.thickness.reshape(pipeline.grid.shape)
    read = pipeline.grid.hits.reshape(pipeline.grid.shape) > 0
    assert sorted(set(np.nonzero(read)[0].tolist())) == [1, 2]
    np.testing.assert_allclose(thickness[1][read[1]], 10, atol=1e-4)
    np.testing.assert_allclose(thickness[2][read[2]], 11, atol=1e-4)
    assert dict(pipeline.tallies["gauge"].no_probe) == {7: 199}
    assert kind is AlarmKind.NO_PROBE
    assert detail.startswith("gauge: readings of input 7, which no [[probe]] has")


def test_probes_that_lose_their_echoes_at_once_are_no_dead_ones() -> None:
    """Even where a probe is given less time than the others' echoes count as new."""
    echoes = ProbeEchoes(("a", "b"))
    times = np.arange(0, 1000, 10, dtype=np.int64) * MS
    for number in (0, 1):
        one = readings(times.tolist())
        one["probe"], one["valid"] = number, True
        echoes.add_readings(one, times)
    instants = np.arange(1000, 1600, 50, dtype=np.int64) * MS
    echoes.follow(instants, 0, 100 * MS)
    assert echoes.conditions == []
    assert echoes.lost == frozenset()


def test_each_probe_has_its_own_calibration() -> None:
    """A thickness is computed with the record of its own probe."""
    own = text_of(TWO).replace('name = "second"', 'name = "second"\ncalibration = "second.json"')
    record = record_of_steps()
    kept = {"second.json": record.model_dump(mode="json")}
    made = parse_station(own, "bench.toml", probe_records=kept)
    calibration = CalibrationInForce()
    calibration.open_run(made)
    one = readings([0, 1])
    one["probe"], one["valid"], one["time_of_flight"] = (0, 1), True, 4.0
    one["thickness"] = np.nan
    calibration.fill(one)
    second = (4.0 - record.zero_offset_us) * record.velocity_mm_per_us / 2
    assert one["thickness"].tolist() == pytest.approx([4.0 * VELOCITY / 2, second])
    assert abs(second - 4.0 * VELOCITY / 2) > 0.1


def test_the_delay_of_a_probe_is_in_addition_to_its_devices() -> None:
    """A reading that is sent 50 ms after its echo belongs 5 mm back at 100 mm/s."""
    text = text_of(TWO).replace('name = "second"', 'name = "second"\ndelay = "50 ms"')
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def wall(number: int, scan: float, index: float) -> float:
        return plane(number, scan - 5 * number, index)

    feed(pipeline, drive(TWO, ACROSS, wall))
    thickness = pipeline.grid.thickness.reshape(pipeline.grid.shape)
    for row in (2, 5):
        expected = 10 + 0.01 * np.arange(21) + 0.2 * row
        np.testing.assert_allclose(thickness[row], expected, atol=1e-5)


@pytest.mark.parametrize(("speed", "is_lost"), [(700.0, False), (1000.0, True)])
def test_a_turn_that_is_too_fast_is_said_to_be_that_or_a_jump(speed: float, is_lost: bool) -> None:
    """The counts cannot show which; no reading is misplaced, and the alarm names the limit."""
    offsets = {"gauge": (3.0, 0.0), "second": (0.0, 2.0)}
    text = text_of(offsets, more=TURNING)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def heading(ms: int) -> float:
        return float(30 * np.sin(ms / 1000 * speed / 30))

    legs = drive(offsets, [(-8.0, 2.0), (28.0, 2.0)], lambda n, _scan, _index: 10.0 + n)
    feed(pipeline, turned(heading, legs))
    found = [alarm.detail for alarm in pipeline.alarms.alarms if alarm.device == "heading"]
    assert bool(found) == is_lost
    assert all("faster than 720 degrees/s" in detail for detail in found)


def test_a_heading_is_known_again_once_its_port_is_back() -> None:
    """An absolute encoder has lost nothing; meanwhile readings have no place."""
    offsets = {"gauge": (3.0, 0.0), "second": (0.0, 2.0)}
    text = text_of(offsets, more=TURNING)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    legs = drive(offsets, [(-8.0, 2.0), (28.0, 2.0)], lambda n, _scan, _index: 10.0 + n)
    away = range(160, 240)
    entries = [
        one
        for one in turned(lambda _ms: 90.0, legs)
        if not (
            isinstance(one, Chunk) and one.port == "compass" and (one.time - START) // MS in away
        )
    ]
    entries += [
        port(away.start, "compass", "lost", "unplugged"),
        port(away.stop - 1, "compass", "open"),
    ]
    feed(pipeline, sorted(entries, key=lambda one: one.time))
    measured = states(pipeline)[5] == CellState.MEASURED
    assert not measured[9:15].any()  # the datum is at 8 to 16 mm
    assert measured[:8].all()
    assert measured[17:].all()


def test_survey_of_two_probes_reports_what_their_beams_have_seen() -> None:
    """Beams of 1 and 2 mm along two rows, 20 cells long, of a plan of 9 rows of 1 mm: a third."""
    text = text_of(TWO).replace("[survey]\n", '[survey]\nnominal_thickness = "10 mm"\n')
    for name, width in (("gauge", 1), ("second", 2)):
        beam = f'diameter = "6 mm"\nfrequency = "5 MHz"\nbeam = "{width} mm"\n'
        text = text.replace(f'[[probe]]\nname = "{name}"\n', f'[[probe]]\nname = "{name}"\n{beam}')
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    feed(pipeline, drive(TWO, ACROSS, lambda n, _scan, _index: 10.0 + n, speed=0.02))
    points = pipeline.beam_points()
    assert points is not None
    assert 100 * points[0] / points[1] == pytest.approx(100 * 3 / 9, abs=0.3)
