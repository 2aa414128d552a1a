"""The Python API: examples of its docstrings run, its arrays are those of the daemon."""

from __future__ import annotations

import doctest
import importlib
import inspect
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

import swathe
from daemon.handmade import START, UTC, Motion, ended, opened, station_text
from swathe.api.comparing import ComparisonWishes
from swathe.errors import StationError, SurveyError
from swathe.journal import Entry, JournalWriter
from swathe.pipeline import CellState
from swathe.store import SurveyFolder, replay, write_derived

NS = 1_000_000_000
TEXT = station_text(scan_length=20)
# 21 cells; the echo is lost from 8 to 9 mm.
MOTION = Motion(
    place=lambda ms: (ms / 100,),
    wall=lambda ms: "N" if 750 <= ms < 950 else 10.0 + ms / 1000,
    first=0,
    last=2100,
    sample_ms=10,
    reading_ms=4,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that holds the survey penstock-3 and its station file."""
    path = tmp_path_factory.mktemp("api")
    (path / "station.toml").write_text(TEXT, "utf-8")
    survey = SurveyFolder(path / "penstock-3")
    with survey:
        entries: list[Entry] = [opened(TEXT), *MOTION.entries(), ended(START + 2200 * 1_000_000)]
        with JournalWriter(survey.journal, wall_clock=lambda: UTC) as journal:
            for entry in entries:
                journal.write(entry)
        write_derived(survey, replay(survey))
    return path


@pytest.mark.parametrize(
    "module",
    [
        "swathe.api.survey",
        "swathe.api.gridding",
        "swathe.api.comparing",
        "swathe.evaluation.evaluating",
    ],
)
def test_docstring_examples_run(module: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every example of the API's docstrings prints what it says."""
    monkeypatch.chdir(folder)
    failed, attempted = doctest.testmod(importlib.import_module(module))
    assert failed == 0
    assert attempted >= 8


def test_each_function_of_the_api_has_an_example() -> None:
    """No public function goes without an example that the test above runs."""
    functions = [getattr(swathe, name) for name in swathe.__all__ if name.islower()]
    for function in [
        *functions,
        swathe.Survey.arrays,
        swathe.Survey.evaluate,
        swathe.Survey.replay,
    ]:
        if callable(function):
            assert ">>> " in (function.__doc__ or ""), function


def test_all_names_are_there() -> None:
    """Each promised name is there, listed by dir(), and no other name of the API is."""
    for name in swathe.__all__:
        assert getattr(swathe, name) is not None
    assert set(swathe.__all__) <= set(dir(swathe))
    with pytest.raises(AttributeError, match="no attribute 'open_surveys'"):
        _ = swathe.open_surveys


def test_import_is_light() -> None:
    """Importing the package loads neither numpy nor anything else that is heavy."""
    heavy = ("numpy", "pydantic", "zarr", "xarray", "rich")
    code = f"import sys, json, swathe; print(json.dumps([m for m in {heavy} if m in sys.modules]))"
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert json.loads(out) == []


def test_survey_offers_record_gaps_and_arrays(folder: Path) -> None:
    """Record, gaps and arrays are those that the files hold."""
    survey = swathe.open_survey(folder / "penstock-3")
    assert survey.station.name == "bench"
    assert survey.path == folder / "penstock-3"
    assert [gap.cause for gap in survey.gaps] == [gap.cause for gap in survey.record.open_gaps]
    assert len(survey.gaps) == 1
    arrays = survey.arrays()
    assert int((arrays.state == CellState.MEASURED).sum()) == survey.record.progress.measured


def test_replay_equals_what_is_stored(folder: Path) -> None:
    """A replay gives the stored record and, attributes included, the stored arrays."""
    survey = swathe.open_survey(str(folder / "penstock-3"))
    again = survey.replay()
    assert again.record == survey.record
    assert again.gaps == survey.gaps
    xr.testing.assert_identical(again.arrays(), survey.arrays().load())


def test_replay_with_another_delay_moves_readings(folder: Path) -> None:
    """A delay of 100 ms at 10 mm/s moves the lost echo by 1 mm and is part of the record."""
    survey = swathe.open_survey(folder / "penstock-3")
    before = survey.replay().arrays()
    after = survey.replay(delays={"gauge": "100 ms"})
    lost = [
        arrays.scan.values[arrays.state.values[0] == CellState.NO_SIGNAL].tolist()
        for arrays in (before, after.arrays())
    ]
    assert lost == [[8.0, 9.0], [7.0, 8.0]]
    assert after.record.delays_ms["gauge"] == 100.0
    assert survey.replay(delays={"gauge": 100_000_000}).arrays().identical(after.arrays())


def test_replay_names_what_is_wrong_with_a_delay(folder: Path) -> None:
    """A delay of no device, or of no duration, is refused with the known devices."""
    survey = swathe.open_survey(folder / "penstock-3")
    with pytest.raises(swathe.SwatheError, match="must name one of the devices encoder, gauge"):
        survey.replay(delays={"probe": "1 ms"})
    with pytest.raises(swathe.SwatheError, match="'delay' of gauge"):
        survey.replay(delays={"gauge": "1 mm"})


def test_open_survey_refuses_what_is_none(folder: Path) -> None:
    """A missing folder, a folder without journal and one without arrays are named."""
    with pytest.raises(SurveyError, match="there is no such survey folder"):
        swathe.open_survey(folder / "nothing")
    with pytest.raises(SurveyError, match="has no journal"):
        swathe.open_survey(folder)


def test_arrays_that_are_missing_are_named(folder: Path, tmp_path: Path) -> None:
    """Without arrays the error names the remedy."""
    shutil.copytree(folder / "penstock-3" / "journal", tmp_path / "journal")
    with pytest.raises(SurveyError, match="run `swathe rebuild`"):
        swathe.open_survey(tmp_path).arrays()


def test_load_station_lists_what_is_wrong(tmp_path: Path) -> None:
    """A bad station file is refused with its keys."""
    path = tmp_path / "bad.toml"
    path.write_text(TEXT.replace('length = "20 mm"', 'length = "-20 mm"'), "utf-8")
    with pytest.raises(StationError, match=r"scan\.length"):
        swathe.load_station(path)


# grid_readings -----------------------------------------------------------------------------------


def axis(cells: int, *, name: str = "scan", wrapped: bool = False) -> swathe.Axis:
    """Return an axis of cells of 1 mm, the first centred on 0."""
    return swathe.Axis(name=name, start=0.0, resolution=1.0, cells=cells, wrapped=wrapped)


def test_grid_readings_equals_the_daemon(folder: Path) -> None:
    """The same motion as arrays and as bytes of two devices gives the same cells."""
    stored = swathe.open_survey(folder / "penstock-3").arrays().load()
    # The first line of the gauge begins before the first of the encoder: it has no place.
    ms = np.arange(4, 2101, 4)
    samples = np.arange(0, 2101, 10)
    wall = np.array([MOTION.wall(int(at)) for at in ms], object)
    thickness = np.where(wall == "N", np.nan, wall).astype(float)
    arrays = swathe.grid_readings(
        scan=axis(21),
        positions={"time": samples * 1_000_000, "scan": samples / 100},
        readings={"time": ms * 1_000_000, "thickness": thickness},
    )
    for layer in ("state", "hits", "passes"):
        np.testing.assert_array_equal(arrays[layer], stored[layer])
    # The gauge of the stored survey sent times of flight of a ns.
    np.testing.assert_allclose(arrays.thickness, stored.thickness, atol=0.003, equal_nan=True)
    assert arrays.attrs["measured"] == int((stored.state == CellState.MEASURED).sum())


@given(
    seed=st.integers(0, 2**32 - 1),
    wrapped=st.booleans(),
    rule=st.sampled_from(["minimum", "mean", "first", "last"]),
)
def test_grid_readings_agrees_with_scipy(seed: int, *, wrapped: bool, rule: str) -> None:
    """Positions by numpy's interpolation and cells by scipy's labelled statistics agree.

    Source: numpy.interp and scipy.ndimage, general-purpose reference libraries.
    """
    random = np.random.default_rng(seed)
    times = np.cumsum(random.integers(1, 50_000_000, 200))
    # Sixteenths of a mm, so that borders are hit and sums are exact.
    scan = np.cumsum(random.integers(-20, 40, 200)) / 16
    index = np.cumsum(random.integers(-4, 8, 200)) / 16
    at = np.sort(random.choice(times, 150))
    wall = 5 + random.integers(0, 500, 150) / 100
    arrays = swathe.grid_readings(
        scan=axis(40, wrapped=wrapped),
        index=axis(12, name="index"),
        positions={"time": times, "scan": scan, "index": index},
        readings={"time": at, "thickness": wall},
        cell_rule=rule,  # type: ignore[arg-type]
    )
    column = np.floor(np.interp(at, times, scan) + 0.5).astype(int)
    row = np.floor(np.interp(at, times, index) + 0.5).astype(int)
    column = column % 40 if wrapped else column
    inside = (column >= 0) & (column < 40) & (row >= 0) & (row < 12)
    assert arrays.attrs["outside"] == int((~inside).sum())
    assert arrays.attrs["unplaced"] == 0
    cell, wall = row[inside] * 40 + column[inside], wall[inside]
    statistic = {
        "minimum": ndimage.minimum,
        "mean": ndimage.mean,
        "first": lambda values, labels, which: [values[labels == k][0] for k in which],
        "last": lambda values, labels, which: [values[labels == k][-1] for k in which],
    }[rule]
    hit = np.unique(cell)
    layer = "thickness_mean" if rule == "mean" else "thickness"
    found = arrays[layer].values.ravel()
    np.testing.assert_allclose(found[hit], statistic(wall, cell, hit), rtol=1e-6)
    assert np.isnan(np.delete(found, hit)).all()
    np.testing.assert_array_equal(arrays.hits.values.ravel(), np.bincount(cell, minlength=12 * 40))


def test_grid_readings_takes_any_table() -> None:
    """A dict, a structured array and a data frame with times as dates give the same."""
    times = np.arange(11) * NS // 10
    columns = {"time": times, "scan": np.arange(11.0)}
    wall = {"time": times, "thickness": np.full(11, 9.0)}
    structured = np.zeros(11, [("time", "<i8"), ("scan", "<f8")])
    structured["time"], structured["scan"] = times, np.arange(11.0)
    frame = pd.DataFrame({"time": pd.to_datetime(times), "thickness": 9.0})
    plain = swathe.grid_readings(scan=axis(11), positions=columns, readings=wall)
    assert plain.attrs["measured"] == 11
    for positions, readings in ((structured, wall), (pd.DataFrame(columns), frame)):
        assert swathe.grid_readings(scan=axis(11), positions=positions, readings=readings).equals(
            plain
        )


def test_grid_readings_counts_what_has_no_place() -> None:
    """Before the first sample, after the last, and in a wide bracket a reading is unplaced."""
    positions = {"time": np.array([10, 11, 20]) * NS, "scan": np.array([0.0, 1.0, 9.0])}
    readings = {"time": np.array([9, 10, 15, 21]) * NS, "thickness": np.full(4, 8.0)}
    arrays = swathe.grid_readings(
        scan=axis(11), positions=positions, readings=readings, bracket="2 s"
    )
    assert (arrays.attrs["unplaced"], int(arrays.hits.sum())) == (3, 1)


def test_grid_readings_takes_validity_and_amplitude() -> None:
    """A reading that is not valid is no signal; the strongest echo represents its cell."""
    times = np.arange(4) * NS // 100
    arrays = swathe.grid_readings(
        scan=axis(2),
        positions={"time": times, "scan": np.array([0.0, 0.0, 1.0, 1.0])},
        readings={
            "time": times,
            "thickness": np.array([8.0, 7.0, 6.0, 5.0]),
            "amplitude": np.array([80.0, 40.0, 50.0, 50.0]),
            "valid": np.array([True, True, False, False]),
        },
        cell_rule="strongest",
    )
    assert float(arrays.thickness[0, 0]) == 8.0
    assert arrays.state.values[0].tolist() == [CellState.MEASURED, CellState.NO_SIGNAL]


@pytest.mark.parametrize(
    ("positions", "readings", "message"),
    [
        ({"time": [0, 1]}, {}, "'positions' must have a column 'scan' (has time)"),
        ({"time": [0.0, 1.0], "scan": [0, 1]}, {}, "'positions.time' must be whole ns"),
        ({"time": [1, 0], "scan": [0, 1]}, {}, "'positions.time' must not fall (it does at row 1)"),
        ({"time": [0, 1], "scan": [0]}, {}, "'positions.scan' must have 2 rows as 'time' has"),
        ({"time": [0, 1], "scan": [0, np.nan]}, {}, "'positions.scan' must be finite (got nan at"),
        ({"time": [0, 1], "scan": ["a", "b"]}, {}, "'positions.scan' must be numbers"),
        ({"time": [[0]], "scan": [0]}, {}, "'positions.time' must have one dimension"),
        (
            {"time": [0, 1], "scan": [0, 1]},
            {"time": [0], "wall": [1.0]},
            "'readings' must have a column 'thickness' (has time, wall)",
        ),
    ],
)
def test_grid_readings_names_a_bad_column(
    positions: dict[str, object], readings: dict[str, object], message: str
) -> None:
    """An error names the table, the column and the row."""
    with pytest.raises(ValueError, match="must") as caught:
        swathe.grid_readings(
            scan=axis(3),
            positions=positions,
            readings=readings or {"time": np.array([0]), "thickness": np.array([1.0])},
        )
    assert message in str(caught.value)


def test_grid_readings_of_nothing_is_empty() -> None:
    """Without samples and readings every cell is unvisited."""
    nothing = np.empty(0, np.int64)
    arrays = swathe.grid_readings(
        scan=axis(3),
        positions={"time": nothing, "scan": np.empty(0)},
        readings={"time": nothing, "thickness": np.empty(0)},
    )
    assert arrays.state.values.tolist() == [[CellState.UNVISITED] * 3]


def test_wishes_of_a_comparison_are_what_it_takes() -> None:
    """`Survey.compare` passes them on by name."""
    taken = inspect.signature(swathe.compare_surveys).parameters
    assert ComparisonWishes.__annotations__.keys() == taken.keys() - {"surveys"}
