"""The arrays of a survey: whole chunks are written, and only those with changed cells."""

from __future__ import annotations

import contextlib
import os
import shutil
import warnings
from pathlib import Path
from typing import Any, BinaryIO, Self, cast

import numpy as np
import pytest
import xarray as xr
import zarr

from daemon.surveys import RUNS, write_survey
from swathe.pipeline import CellState, Grid
from swathe.safe_files import SafeFolder
from swathe.station import Station, parse_station
from swathe.store import (
    LAYERS,
    DigestLog,
    SurveyArrays,
    SurveyFolder,
    check_survey,
    derived_faults,
    read_digests,
    replay,
    set_metadata_aside,
    write_all,
    write_derived,
)
from swathe.store.zarr_store import GridBlock

ROWS, COLUMNS = 10, 50
TEXT = f"""
name = "bench"
[survey]
folder = "survey"
[scan]
length = "{COLUMNS - 1} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[index]
length = "{ROWS - 1} mm"
resolution = "1 mm"
mode = "stepped"
[calibration]
velocity = "5920 m/s"
[store]
chunk_scan = 16
chunk_index = 4
[device.encoder]
port = "ports/encoder"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "ports/gauge"
protocol.columns = [{{ is = "time_of_flight", unit = "us" }}]
"""


@pytest.fixture
def station() -> Station:
    """Return a station whose chunks are 4 x 16 cells of 10 x 50."""
    return parse_station(TEXT, "bench.toml")


@pytest.fixture
def grid(station: Station) -> Grid:
    """Return its grid, measured everywhere."""
    grid = Grid(scan=station.scan_axis, index=station.index_axis, rule=station.survey.cell_rule)
    grid.state[:] = CellState.MEASURED
    grid.touched.add_all()
    grid.hits[:] = 1
    grid.touched.add_all()
    return grid


@pytest.mark.parametrize(
    ("spans", "rectangles"),
    [
        ({}, []),
        ({0: (0, 0)}, [((0, 4), (0, 16))]),
        ({3: (15, 16)}, [((0, 4), (0, 32))]),
        ({9: (49, 49)}, [((8, 10), (48, 50))]),
        ({5: (20, 20), 4: (40, 40)}, [((4, 8), (16, 48))]),
        ({8: (0, 49), 1: (17, 30)}, [((0, 4), (16, 32)), ((8, 10), (0, 50))]),
    ],
)
def test_blocks_are_whole_chunks_round_the_changes(
    station: Station,
    grid: Grid,
    tmp_path: Path,
    spans: dict[int, tuple[int, int]],
    rectangles: list[tuple[tuple[int, int], tuple[int, int]]],
) -> None:
    """Each band of chunks has one rectangle, from the first changed chunk to the last one."""
    blocks = SurveyArrays(tmp_path / "survey.zarr", station).blocks(grid, spans)
    found = [
        ((block.rows.start, block.rows.stop), (block.columns.start, block.columns.stop))
        for block in blocks
    ]
    assert found == rectangles
    for block in blocks:
        assert block.layers["state"].shape == (
            block.rows.stop - block.rows.start,
            block.columns.stop - block.columns.start,
        )


def test_only_chunks_with_changes_are_written(station: Station, grid: Grid, tmp_path: Path) -> None:
    """Of a survey on disk a checkpoint replaces the chunks that hold changed cells."""
    path = tmp_path / "survey.zarr"
    arrays = SurveyArrays(path, station)
    arrays.open()
    write_all(arrays, grid)
    chunks = {file: file.stat().st_mtime_ns for file in (path / "hits" / "c").rglob("*/*")}
    assert len(chunks) == 3 * 4
    grid.hits[:] = 2
    arrays.write(arrays.blocks(grid, {5: (20, 20)}))
    changed = {
        file.relative_to(path / "hits" / "c").as_posix()
        for file, written in chunks.items()
        if file.stat().st_mtime_ns != written
    }
    assert changed == {"1/1"}
    hits = np.asarray(zarr.open_group(path, mode="r")["hits"])
    assert (hits[4:8, 16:32] == 2).all()
    assert (hits == 2).sum() == 4 * 16


def test_what_an_earlier_state_left_is_replaced_by_nothing(
    station: Station, grid: Grid, tmp_path: Path
) -> None:
    """A survey that is placed again has fewer cells; only what it touched is written, and emptied."""
    arrays = SurveyArrays(tmp_path / "survey.zarr", station)
    write_all(arrays, grid)
    again = Grid(scan=station.scan_axis, index=station.index_axis, rule=station.survey.cell_rule)
    write_all(arrays, again)
    found = zarr.open_group(tmp_path / "survey.zarr", mode="r")
    assert not np.asarray(found["hits"]).any()
    assert not np.asarray(found["state"]).any()
    assert not list((tmp_path / "survey.zarr" / "hits").rglob("c/*/*"))
    assert list(arrays.spans_of(again)) == []


def test_whole_grid_is_written_band_by_band(station: Station, grid: Grid, tmp_path: Path) -> None:
    """Every cell is on the disk, the last partial chunks included."""
    arrays = SurveyArrays(tmp_path / "survey.zarr", station)
    grid.passes[:] = np.arange(ROWS * COLUMNS)
    write_all(arrays, grid)
    passes = np.asarray(zarr.open_group(tmp_path / "survey.zarr", mode="r")["passes"])
    assert passes.tolist() == grid.passes.reshape(ROWS, COLUMNS).tolist()


def test_order_in_which_attributes_became_known_is_not_stored(
    station: Station, tmp_path: Path
) -> None:
    """A rebuild knows all of them at once, and writes the same bytes; what is unknown again goes."""
    stored = []
    for name, steps in (
        ("live", ({"place_coverage": None, "delay_ms_gauge": 1.0}, {"place_coverage": 0.95})),
        ("rebuilt", ({"place_coverage": 0.95, "delay_ms_gauge": 1.0}, {"station": "bench"})),
    ):
        arrays = SurveyArrays(tmp_path / name, station)
        arrays.open()
        for attributes in steps:
            arrays.describe(attributes)
        stored.append((tmp_path / name / "zarr.json").read_bytes())
    assert stored[0] == stored[1]
    arrays.describe({"place_coverage": None})
    assert "place_coverage" not in zarr.open_group(arrays.path, mode="r").attrs


class _KilledError(Exception):
    """The process ends here."""


def _kill_at(patch: pytest.MonkeyPatch, number: int) -> list[str]:
    """Let the operation of this number on a file, and all after it, not happen; return those done.

    Operations are what changes a name in a folder, and each half of a line of the log of digests.
    """
    done: list[str] = []

    def counted(name: str) -> None:
        if len(done) >= number:
            raise _KilledError
        done.append(name)

    def watched(name: str) -> None:
        real = getattr(os, name)

        def act(*arguments: Any, **more: Any) -> Any:
            counted(name)
            return real(*arguments, **more)

        patch.setattr(os, name, act)

    for name in ("replace", "unlink"):
        watched(name)
    append = SafeFolder.append

    def torn(self: SafeFolder, name: str) -> BinaryIO:
        counted("append")
        stream = append(self, name)
        write = stream.write

        class Torn:
            def write(self, data: bytes) -> None:
                write(data[: len(data) // 2])
                stream.flush()
                counted("half a line")
                write(data[len(data) // 2 :])

            def __enter__(self) -> Self:
                return self

            def __exit__(self, *_: object) -> None:
                stream.close()

            flush, fileno = stream.flush, stream.fileno

        return cast("BinaryIO", Torn())

    patch.setattr(SafeFolder, "append", torn)
    return done


def _layers_that_open(path: Path) -> set[str]:
    """Return the layers that xarray finds in the arrays, whole or not there at all."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Failed to open Zarr store with consolidated")
        with xr.open_zarr(path) as found:
            assert {"scan", "index"} <= set(found.coords)
            return {str(name) for name in found.data_vars}


def _until_killed(number: int, folder: SurveyFolder, station: Station, grid: Grid) -> bool:
    """Write arrays as a run does that begins or resumes; return whether it was killed at the step."""
    with pytest.MonkeyPatch.context() as patch:
        _kill_at(patch, number)
        try:
            log = DigestLog(SafeFolder(folder.path))
            unfinished = set_metadata_aside(folder, log.begin()).unfinished
            arrays = SurveyArrays(folder.zarr, station, on_written=log.note)
            arrays.renew(unfinished)
            with log.writing(["survey.zarr/"]):
                arrays.open()
                arrays.describe({"runs": number})
                write_all(arrays, grid)
        except _KilledError:
            return True
    return False


@pytest.mark.parametrize("first", [30, 31, 33, 35, 37, 60])
def test_arrays_open_whole_whenever_a_run_and_the_one_that_resumes_it_are_killed(
    station: Station, grid: Grid, tmp_path: Path, first: int
) -> None:
    """The second one had removed the metadata that the first one left half written."""
    begun = SurveyFolder(tmp_path / "survey")
    begun.path.mkdir()
    assert _until_killed(first, begun, station, grid)
    there = begun.zarr.exists()
    for second in [*range(12), *range(12, 36, 4)]:
        folder = SurveyFolder(tmp_path / f"survey-{second}")
        shutil.copytree(begun.path, folder.path)
        assert _until_killed(second, folder, station, grid)
        assert folder.zarr.exists() or not there
        if folder.zarr.exists():
            assert _layers_that_open(folder.zarr) == set(LAYERS)


def test_arrays_of_an_extended_plan_replace_the_old_ones(grid: Grid, tmp_path: Path) -> None:
    """No file of the other shape is left, and nothing beside; what is gone leaves the digests."""
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()
    for length in (COLUMNS - 1, 2):
        station = parse_station(TEXT.replace(f"{COLUMNS - 1} mm", f"{length} mm"), "bench.toml")
        grid = Grid(scan=station.scan_axis, index=station.index_axis, rule=grid.rule)
        grid.hits[:] = 1
        grid.touched.add_all()
        assert not _until_killed(1000, folder, station, grid)
        assert not list(derived_faults(folder, read_digests(SafeFolder(folder.path))))
    assert [path.name for path in sorted((folder.zarr / "hits" / "c" / "0").iterdir())] == ["0"]
    assert sorted(path.name for path in folder.path.iterdir()) == ["digests.jsonl", "survey.zarr"]


@pytest.mark.slow
def test_kill_at_any_step_of_a_rebuild_is_no_damage(tmp_path: Path) -> None:
    """Nor are files left that no digest covers, once the next rebuild has ended."""
    source = write_survey(tmp_path / "survey", RUNS[:1])
    pipeline = replay(source)
    for number in [*range(12), *range(12, 200, 9)]:
        folder = SurveyFolder(tmp_path / f"survey-{number}")
        shutil.copytree(source.path, folder.path)
        with pytest.MonkeyPatch.context() as patch:
            _kill_at(patch, number)
            killed = True
            with contextlib.suppress(_KilledError):
                write_derived(folder, pipeline)
                killed = False
        faults = list(derived_faults(folder, read_digests(SafeFolder(folder.path))))
        assert not [str(one) for one in faults if one.kind.is_damage], number
        write_derived(folder, pipeline)
        assert check_survey(folder).good, number
        assert not (folder.path / "set-aside").exists()
        if not killed:
            break
    assert number > 40


@pytest.mark.slow
def test_kill_at_any_step_of_a_checkpoint_is_no_damage(
    station: Station, grid: Grid, tmp_path: Path
) -> None:
    """Whichever step is the last one: what does not match is unfinished, never damaged."""
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()

    def checkpoint(log: DigestLog, arrays: SurveyArrays, blocks: list[GridBlock]) -> None:
        with log.writing([*arrays.names(blocks), "survey.json", "survey.zarr/zarr.json"]):
            arrays.write(blocks)
            arrays.describe({"runs": int(grid.hits[0])})
            log.replace("survey.json", grid.hits.tobytes())

    log = DigestLog(SafeFolder(folder.path))
    arrays = SurveyArrays(folder.zarr, station, on_written=log.note)
    with log.writing(["survey.zarr/"]):
        write_all(arrays, grid)
    checkpoint(log, arrays, [])
    assert not list(derived_faults(folder, read_digests(log.folder)))
    unfinished = steps = 0
    for number in range(1000):
        copy = SurveyFolder(tmp_path / f"survey-{number}")
        shutil.copytree(folder.path, copy.path)
        log = DigestLog(SafeFolder(copy.path))
        log.begin()
        arrays = SurveyArrays(copy.zarr, station, on_written=log.note)
        arrays.open()  # the run has been going on for a while
        grid.hits[:] = 2 + number
        # All of a layer becomes its fill value: its chunks are removed.
        grid.state[:] = CellState.UNVISITED
        blocks = arrays.blocks(grid, {5: (20, 20)})
        with pytest.MonkeyPatch.context() as patch:
            done = _kill_at(patch, number)
            with contextlib.suppress(_KilledError):
                checkpoint(log, arrays, blocks)
                steps = len(done)
        faults = list(derived_faults(copy, read_digests(log.folder)))
        assert not [str(one) for one in faults if one.kind.is_damage], (number, done)
        unfinished += bool(faults)
        if steps:
            assert not faults
            break
        assert read_digests(log.folder).writing or not faults
    assert steps > 15
    assert unfinished > 10
