"""What the station file makes of the devices: seen from the journal's side."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_ENCODED,
    INDEX_STEPPED,
    MS,
    START,
    UTC,
    Motion,
    ended,
    feed,
    line,
    opened,
    port,
    run,
    station,
    station_text,
    ticks,
)
from swathe.journal import Chunk, Entry, Mark, MarkKind
from swathe.pipeline import CellState, GapEnd
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.streams import TimedBatch
from swathe.pipeline.placing.timing import Timing
from swathe_drivers.records import position_dtype


def to_the_right(ms: int) -> tuple[float]:
    """Return a place that moves 20 mm/s from -1 mm on."""
    return (ms / 50 - 1,)


def wall(_ms: int) -> float:
    """Return 10 mm, wherever."""
    return 10.0


def test_both_clocks_and_checksums_every_cell_at_its_time() -> None:
    """Lines with checksum and device time: the right thickness, hits and UTC in every cell."""
    # The start is chosen so that no reading stands on the border of two cells.
    text = station_text(scan='start = "0.05 mm"')
    pipeline = run(text, Motion(to_the_right, lambda ms: 5 + ms / 1000, 0, 1200).entries())
    grid = pipeline.grid
    assert np.all(grid.state == CellState.MEASURED)
    # The first reading in cell k, at (k - 0.4 + 1) × 50 ms, is its thinnest.
    assert grid.thickness == pytest.approx(5 + (np.arange(21) + 0.6) * 0.05, abs=1e-5)
    assert np.all(grid.hits == 10)
    last = UTC + (np.arange(21) * 50 + 75) * MS
    # A record's time is that of its first byte: a line of 20 bytes takes 2 ms at this rate.
    assert np.abs(grid.last_time - last).max() < 2.5 * MS
    # The very first reading, in a longer line, began before the first encoder line did.
    assert pipeline.progress().unplaced <= 1
    assert {name: tally.faults for name, tally in pipeline.tallies.items()} == {
        "encoder": {},
        "gauge": {},
    }


@pytest.mark.parametrize("on_change", [False, True])
def test_encoder_unplugged_readings_are_unplaced(on_change: bool) -> None:
    """With its encoder unplugged no reading is placed, not even where it was last seen to stand."""
    text = station_text(encoder="on_change = true" if on_change else "")
    motion = Motion(lambda ms: (ms / 100,) if ms < 500 else None, wall, 0, 3000)

    def entries() -> Iterator[Entry]:
        for entry in motion.entries():
            if entry.time == START + 500 * MS and isinstance(entry, Chunk):
                yield port(500, "encoder", "lost", "pulled")
            yield entry

    pipeline = run(text, entries())
    progress = pipeline.progress()
    assert progress.readings == 100 - 1
    assert progress.unplaced == pytest.approx(2500 / 5 - 350 / 5, abs=3)
    assert pipeline.grid.hits[5] < 11
    assert pipeline.tallies["encoder"].state == "lost"
    assert pipeline.tallies["encoder"].detail == "pulled"


def test_encoder_on_change_says_where_it_stands_once_it_is_back() -> None:
    """After it was plugged in again, an encoder that sends on change is believed from then on."""
    text = station_text(encoder="on_change = true")
    before = Motion(lambda ms: (ms / 100,), wall, 0, 500)
    away = Motion(lambda _: None, wall, 505, 1500)
    back = Motion(lambda ms: (9.0,) if ms == 1505 else None, wall, 1505, 3000)
    pipeline = run(
        text,
        before.entries(),
        [port(501, "encoder", "lost", "pulled")],
        away.entries(),
        [port(1501, "encoder", "open")],
        back.entries(),
    )
    assert pipeline.grid.hits[9] == pytest.approx(1400 / 5, abs=12)
    assert pipeline.grid.hits[6:9].sum() == 0
    assert pipeline.progress().unplaced == pytest.approx(1000 / 5, abs=3)


def test_combined_records_follow_the_line_in_force() -> None:
    """A device with position and thickness in one line, on a stepped index axis."""
    text = station_text(index=INDEX_STEPPED.format(length=2, advance="command"))
    head, rest = text.split("[device.encoder]")
    calibration_free = head.replace('[calibration]\nvelocity = "5920 m/s"\n', "")
    both = (
        '[device.encoder]\nport = "p"\n[device.encoder.protocol]\n'
        'columns = [{is="counts", axis="scan"}, {is="thickness", unit="mm"}]\n'
    )
    assert "gauge" in rest

    def lines(row: int) -> Iterator[Entry]:
        for k in range(-3, 21):  # from before the line on, so that all of it is seen as motion
            time = START + (row * 1000 + (k + 3) * 10) * MS
            yield Chunk(time, "encoder", f"{k * 10},{5 + row + k / 100:.2f}\r\n".encode())
        yield from ticks(row * 1000 + 250, row * 1000 + 700)
        yield Mark(START + (row * 1000 + 900) * MS, MarkKind.LINE, {"line": row + 1, "by": "x"})

    pipeline = run(calibration_free + both, lines(0), lines(1))
    feed(pipeline, [ended(START + 2000 * MS)])
    thickness = pipeline.grid.thickness.reshape(3, 21)
    assert thickness[0] == pytest.approx(5 + np.arange(21) / 100)
    assert thickness[1] == pytest.approx(6 + np.arange(21) / 100)
    assert pipeline.line == 2
    notes = [pipeline.line_snapshot(row) for row in pipeline.coverage.take_dirty_lines()]
    assert [(note.line, note.measured, note.required) for note in notes] == [(0, 21, 21)]
    assert notes[0].minimum == pytest.approx(5.0)
    assert notes[0].missing == ()


@pytest.mark.parametrize("line", [-1, 3, 99])
def test_line_beside_the_plan_leaves_the_book_in_order(line: int) -> None:
    """A journalled line that the plan does not have puts its readings outside, nothing else."""
    text = station_text(index=INDEX_STEPPED.format(length=2, advance="command"))
    pipeline = run(text, Motion(to_the_right, wall, 0, 1200).entries())
    beside = Mark(START + 1201 * MS, MarkKind.LINE, {"line": line, "by": "x"})
    feed(pipeline, [beside])
    feed(pipeline, Motion(lambda ms: to_the_right(ms - 1205), wall, 1205, 2400).entries())
    assert pipeline.grid.outside > 200
    feed(pipeline, [Mark(START + 2401 * MS, MarkKind.LINE, {"line": 1, "by": "x"})])
    feed(pipeline, Motion(lambda ms: to_the_right(ms - 2405), wall, 2405, 3700).entries())
    states = pipeline.grid.state.reshape(3, 21)
    assert np.all(states[:2] == CellState.MEASURED)
    assert np.all(states[2] == CellState.UNVISITED)
    assert pipeline.coverage.gaps.open == []
    assert pipeline.coverage.measured == 42


def test_two_runs_go_on_with_line_and_tallies() -> None:
    """A second run goes on at the line and the byte offset at which the first one stopped."""
    text = station_text(index=INDEX_STEPPED.format(length=2, advance="command"))
    pipeline = run(text, Motion(to_the_right, wall, 0, 1200).entries())
    feed(pipeline, [Mark(START + 1201 * MS, MarkKind.LINE, {"line": 1, "by": "x"})])
    feed(pipeline, [ended(START + 1300 * MS)])
    assert pipeline.status == "incomplete"
    (gap,) = pipeline.coverage.gaps.open
    assert gap.size == 42
    offset = pipeline.tallies["gauge"].bytes

    later = START + 9_000_000 * MS
    feed(pipeline, [opened(text, time=later, utc=UTC + 77, survey="other")])
    assert (pipeline.survey, pipeline.runs, pipeline.status) == ("s-1", 2, "scanning")
    assert pipeline.line == 1
    assert [gap.end for gap in pipeline.coverage.gaps] == [GapEnd.WITHDRAWN]
    feed(pipeline, [Chunk(later + MS, "gauge", b"???\r\n")])
    feed(pipeline, [ended(later + 50 * MS)])
    (fault,) = pipeline.tallies["gauge"].recent
    assert fault.offset == offset
    assert np.all(pipeline.grid.state.reshape(3, 21)[0] == CellState.MEASURED)


def test_wrong_checksum_half_line_and_range_disturb_nothing_else() -> None:
    """Bad bytes of every kind are counted with their offset; all other readings are as without."""
    clean = list(Motion(to_the_right, wall, 0, 1200).entries())
    bad = [
        ("checksum", b"R,300,3.000000,E*00\r\n"),
        ("checksum", b"R,300,3.0"),  # and the next line is glued to it
        ("unknown_line", line("Q,300,3.0,E")),
        ("not_finite", line("R,300,nan,E")),
        ("out_of_range", line("R,300,100.5,E")),
        ("number", line("R,300,3.x,E")),
        ("status", line("R,300,3.0,?")),
        ("columns", line("R,300,3.0")),
        ("too_long", b"z" * 300 + b"\r\n"),
    ]
    expected = []
    entries: list[Entry] = []
    offset = 0
    todo = list(bad)
    for entry in clean:
        if isinstance(entry, Chunk) and entry.port == "gauge":
            if entry.time >= START + 300 * MS and todo and (entry.time // MS) % 50 == 0:
                reason, data = todo.pop(0)
                expected.append((reason, offset))
                entries.append(Chunk(entry.time, "gauge", data))
                offset += len(data)
            offset += len(entry.data)
        entries.append(entry)
    assert not todo
    dirty = run(station_text(), entries, ticks(1250, 1250))
    tally = dirty.tallies["gauge"]
    assert [(str(fault.reason), fault.offset) for fault in tally.recent] == expected
    assert sum(tally.faults.values()) == len(bad)
    assert tally.bytes == offset
    reference = run(station_text(), clean, ticks(1250, 1250))
    assert tally.readings == reference.tallies["gauge"].readings - 1  # the one glued to the half
    assert np.array_equal(dirty.grid.state, reference.grid.state)
    assert dirty.grid.thickness == pytest.approx(reference.grid.thickness)


def test_index_encoder_on_a_second_axis() -> None:
    """Two axes in one line: each reading in the row and the column where it was taken."""
    text = station_text(index=INDEX_ENCODED.format(length=2))

    def serpentine(ms: int) -> tuple[float, float]:
        row, rest = divmod(ms, 1200)
        along = rest / 50 - 1
        return (along if row % 2 == 0 else 22 - along, float(row))

    pipeline = run(text, Motion(serpentine, lambda ms: 5.0 + ms // 1200, 0, 3550).entries())
    feed(pipeline, [ended(START + 3600 * MS, "complete")])
    thickness = pipeline.grid.thickness.reshape(3, 21)
    for row in range(3):
        assert thickness[row, 2:-2] == pytest.approx(5.0 + row, abs=1e-5)
    assert pipeline.status == "complete"
    assert pipeline.progress().minimum == pytest.approx(5.0, abs=1e-5)


def encoder_at(inputs: DeviceInputs, ms: int, counts: int) -> None:
    """Take a line of the encoder that was sent so many ms after the start."""
    link = inputs.links["encoder"]
    link.take(line(f"P,{ms},{counts}"), START + ms * MS)
    batch = link.decode()
    assert batch is not None
    assert inputs.take("encoder", batch) is None


def samples(inputs: DeviceInputs) -> list[tuple[int, float]]:
    """Return the samples of the scan axis as (ns after the start, mm)."""
    track = inputs.placer.scan
    return list(zip((track.times - START).tolist(), track.positions.tolist(), strict=True))


@pytest.mark.parametrize("on_change", [True, False])
def test_encoder_that_sends_on_change_is_held_where_it_is(on_change: bool) -> None:
    """Its last position holds up to the lateness ago, until it sends again or is lost."""
    text = station_text(encoder="on_change = true" if on_change else "")
    made = station(text.replace("ports/encoder", "socket://encoder:1"))  # without a baud rate
    late = made.placing.lateness
    inputs = DeviceInputs(made, {})
    inputs.advance(START)
    assert (inputs.position, inputs.last_sample_times) == ((None, 0.0), (None, None))
    encoder_at(inputs, 0, 50)
    inputs.advance(START + late)
    assert samples(inputs) == [(0, 5.0)]
    assert (inputs.position, inputs.last_sample_times) == ((5.0, 0.0), (START, None))
    for now in (1, 2 * MS):
        inputs.advance(START + late + now)
        held = [(now, 5.0)] if on_change else []
        assert samples(inputs) == [(0, 5.0), *held]
    # It sends again 50 ms later: until the lateness before, it was where it had been.
    encoder_at(inputs, late // MS + 50, 60)
    held = [(50 * MS, 5.0)] if on_change else []
    sent = (late + 50 * MS, 6.0)
    assert samples(inputs) == [(0, 5.0), *held, sent]
    inputs.port_changed("encoder", START + 2 * late + 90 * MS)
    lost = [(late + 90 * MS, 6.0)] if on_change else []
    inputs.advance(START + 5 * late)
    assert samples(inputs) == [(0, 5.0), *held, sent, *lost]
    # Nothing is known from the loss of the port to the next sample.
    encoder_at(inputs, 9 * late // MS, 70)
    assert samples(inputs) == [(0, 5.0), *held, sent, *lost, (9 * late, 7.0)]
    encoder_at(inputs, 11 * late // MS, 80)
    assert len(samples(inputs)) == 4 + (4 if on_change else 0) + 0 - (1 if on_change else 0)


def inputs_of(text: str) -> DeviceInputs:
    """Return the devices of a run."""
    return DeviceInputs(station(text), {})


def positions(*samples: tuple[int, float], late: int = 0) -> TimedBatch:
    """Return a batch of samples in (ms, mm), each known so many ms later."""
    made = np.zeros(len(samples), position_dtype(1))
    made["time"] = [ms * MS for ms, _ in samples]
    made["counts"][:, 0] = [10 * mm for _, mm in samples]
    known = made["time"] + late * MS
    return TimedBatch(
        positions=made,
        positions_known_at=known,
        positions_timing=Timing.of(made["time"], known),
    )


def test_reference_is_known_with_its_mark() -> None:
    """The position that was set is at the time of the last sample, and known with the mark only."""
    inputs = inputs_of(station_text())
    inputs.take("encoder", positions((0, 3.0), (100, 4.0), late=1))
    inputs.reference(12.0, None, 500 * MS)
    track = inputs.placer.scan
    assert track.positions.tolist() == [3.0, 4.0, 12.0]
    assert (track.known // MS).tolist() == [1, 101, 500]
    assert track.resets.tolist() == [False, False, True]
    assert inputs.position_at(499 * MS)[0] == 4.0
    assert inputs.position_at(500 * MS)[0] == 12.0


def test_encoder_that_sent_glitches_only_is_still_silent() -> None:
    """After a lost port a rest begins with a good sample, not with one read wrong."""
    text = station_text(encoder="on_change = true", scan='max_speed = "100 mm/s"')
    inputs = inputs_of(text)
    inputs.take("encoder", positions((0, 3.0)))
    inputs.port_changed("encoder", 200 * MS)
    inputs.take("encoder", positions((300, 1000.0)))
    inputs.advance(304 * MS)
    times = inputs.placer.scan.times.tolist()
    inputs.advance(308 * MS)
    assert inputs.placer.scan.times.tolist() == times
    inputs.take("encoder", positions((310, 3.0)))
    inputs.advance(9500 * MS)
    assert inputs.placer.scan.holds[-1]
    assert inputs.placer.scan.known[-1] == 310 * MS
