"""Every reading with its place, or why it has none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import pyarrow.parquet
import pytest
from numpy.typing import NDArray

import swathe
from daemon.exports import MAP, MAP_TEXT, write_map, write_survey_of
from daemon.handmade import MS, START, UTC, opened
from daemon.pipeline.cutting import Cut, revisions_of
from daemon.pipeline.scene_list import SCENES
from daemon.pipeline.scenes import text_of
from swathe.errors import MisuseError
from swathe.export import export_survey
from swathe.export.readings import PLACED_READING, ReadingFates, ReadingParts
from swathe.journal import JournalWriter, Mark, MarkKind
from swathe.pipeline import Pipeline, ReadingFate
from swathe.station import parse_station
from swathe.store import SurveyFolder
from swathe_drivers.records import no_readings


def fates_of(name: str, cut: Cut) -> tuple[Pipeline, NDArray[Any]]:
    """Return the pipeline of a scene that was fed in pieces, and its readings with their fates."""
    scene = SCENES[name]
    entries = list(scene.journal(3))
    station = parse_station(text_of(scene), "bench.toml", record=scene.record)
    pipeline = Pipeline(station, revisions=revisions_of(entries))
    pipeline.reading_observer = fates = ReadingFates()
    cut.feed(pipeline, cut.of(entries))
    fates.settled(None)
    return pipeline, fates.take()


@pytest.mark.parametrize(
    ("name", "seen"),
    [
        ("either end, on change, blocked, a pause", {"BETWEEN_LINES", "PAUSED"}),
        ("line profile", {"OUTSIDE_PLAN", "ON_PLAN"}),
    ],
)
def test_every_reading_is_shown_once(name: str, seen: set[str]) -> None:
    """All that was decoded is there; what counts is what the cells have; no batch matters."""
    pipeline, readings = fates_of(name, Cut(advance=0.05))
    assert readings.size == sum(tally.readings for tally in pipeline.tallies.values())
    fate = readings["fate"]
    assert seen <= {ReadingFate(one).name for one in np.unique(fate)}
    placed = fate <= ReadingFate.OUTSIDE_PLAN
    assert np.count_nonzero(placed) == pipeline.readings
    assert np.isfinite(readings["scan"][placed]).all()
    assert np.isnan(readings["scan"][~placed]).all()
    one = readings["reading"]
    counts = one["valid"] & np.isfinite(one["thickness"]) & (readings["cell"] >= 0)
    hits = np.bincount(readings["cell"][counts], minlength=pipeline.grid.hits.size)
    np.testing.assert_array_equal(hits, pipeline.grid.hits)
    other = Cut(seed=5, added=0.2, removed=0.2, joined=0.2, divided=0.2, advance=0.01)
    assert fates_of(name, other)[1].tobytes() == readings.tobytes()


def test_readings_of_a_check_and_of_spots_have_no_place() -> None:
    """What was read on a block is told from what was read on spots."""
    _, readings = fates_of("spots", Cut(advance=0.05))
    fates = np.unique(readings["fate"]).tolist()
    assert fates == [ReadingFate.IN_CHECK, ReadingFate.OF_SPOT]
    assert (readings["cell"] == -1).all()


def test_a_place_for_a_decided_reading_is_a_bug() -> None:
    """Nothing is written twice, and nothing silently left out."""
    fates = ReadingFates()
    fates.open_run(0)
    readings = np.zeros(2, no_readings().dtype)
    readings["offset"] = 5, 9
    fates.decoded(readings, None)
    fates.settled(np.array([9]))
    with pytest.raises(MisuseError):
        fates.without_place(readings, ReadingFate.PAUSED)
    fates.without_place(readings[1:], ReadingFate.PAUSED)
    fates.open_run(0)
    assert fates.take()["fate"].tolist() == [ReadingFate.POSITION_UNKNOWN, ReadingFate.PAUSED]


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return the survey of a map."""
    return write_map(tmp_path_factory.mktemp("readings") / "penstock-3")


def test_parquet_has_what_the_cells_rest_on(survey: SurveyFolder, tmp_path: Path) -> None:
    """Minimum, number and newest time of the valid readings of a cell are those of the arrays."""
    table = pd.read_parquet(export_survey(survey, "parquet", tmp_path / "all.parquet"))
    arrays = swathe.open_survey(survey.path).arrays().load()
    used = table[table.valid & (table.place == "on plan")]
    cells = used.groupby(["row", "column"])
    row, column = (key.astype(int) for key in np.array(list(cells.groups)).T)
    for layer, found in (
        (arrays.thickness, cells.thickness_mm.min().astype(np.float32)),
        (arrays.hits, cells.size()),
        (arrays.last_time, cells.time.max().dt.tz_localize(None)),
    ):
        np.testing.assert_array_equal(layer.to_numpy()[row, column], found.to_numpy())
    assert len(cells) == int((arrays.hits > 0).sum())
    np.testing.assert_allclose(used.scan_mm, used.column, atol=0.5001)
    np.testing.assert_allclose(used.index_mm, used.row, atol=0.5001)
    assert len(table) == 751
    assert table.offset.is_monotonic_increasing
    assert not table[~table.valid].thickness_mm.notna().any()
    without = table[table.scan_mm.isna()]
    assert set(without.place) == {"position unknown"}
    assert without.row.isna().all()
    assert table.device_time_ns.notna().all()
    assert table.sequence.isna().all()


def test_parquet_states_what_it_is(survey: SurveyFolder, tmp_path: Path) -> None:
    """Units and meanings of columns, the survey, and what is not in the file are in the schema."""
    out = export_survey(survey, "parquet", tmp_path / "all.parquet")
    schema = pyarrow.parquet.read_schema(out)
    assert schema.field("scan_mm").metadata[b"unit"] == b"mm"
    assert all(field.metadata[b"description"] for field in schema)
    stated = pyarrow.parquet.read_metadata(out).metadata
    assert stated[b"survey_part"] == b"Penstock 3, belt"
    counts = json.loads(stated[b"survey_readings"])
    assert sum(counts.values()) == 751
    assert counts == pd.read_parquet(out).place.value_counts().loc[lambda n: n > 0].to_dict()
    assert stated[b"survey_not_in_the_file"].startswith(b"0 records without a time")
    assert b"survey_arrays_differ" not in stated


def test_parts_change_nothing(survey: SurveyFolder) -> None:
    """However few readings are given at a time, all come, in the order in which they arrived."""
    (whole,) = ReadingParts(survey)
    parts = list(ReadingParts(survey, size=1))
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert whole.dtype == PLACED_READING


def test_discarded_readings_are_named(tmp_path: Path) -> None:
    """What an operator discarded is in the file, without a place."""
    detail = {"line": None, "scan": [5.0, 10.0], "begin": UTC, "end": UTC + 800 * MS, "by": "K"}
    mark = Mark(START + 3050 * MS, MarkKind.DISCARDED, {**detail, "because": "", "revision": 1})
    folder = write_survey_of(tmp_path / "map", MAP_TEXT, MAP, mark)
    (readings,) = ReadingParts(folder)
    discarded = readings[readings["fate"] == ReadingFate.DISCARDED]
    taken = swathe.open_survey(folder.path).record.revisions[0].readings
    assert discarded.size == taken != 0
    assert np.isnan(discarded["scan"]).all()
    assert ((discarded["utc"] >= UTC) & (discarded["utc"] < UTC + 800 * MS)).all()


def test_a_killed_run_and_the_next_one_are_both_there(tmp_path: Path) -> None:
    """Offsets begin again with a run; what the killed one had not placed is named."""
    folder = write_survey_of(tmp_path / "map", MAP_TEXT, MAP)
    later = [opened(MAP_TEXT, time=START, utc=UTC + 60_000 * MS), *MAP.entries()]
    with JournalWriter(folder.journal, wall_clock=lambda: UTC) as journal:
        for entry in later:
            journal.write(entry)
    parts = ReadingParts(folder)
    (readings,) = parts
    # What came with a journal's last entry is not decoded: more of it might have followed.
    assert np.bincount(readings["run"]).tolist() == [0, 751, 750]
    assert parts.without_time == 0
    second = readings[readings["run"] == 2]
    np.testing.assert_array_equal(second["utc"] - readings["utc"][:750], np.full(750, 60_000 * MS))
    assert second["fate"][-1] == ReadingFate.POSITION_UNKNOWN
