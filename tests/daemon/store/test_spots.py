"""A survey of spots on disk: named cells, and a rebuild that is the same byte for byte."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daemon.pipeline.cutting import differences, state_of
from daemon.pipeline.scene_spots import SpotScene
from daemon.spot_journal import SpotJournal, spot_station
from daemon.surveys import write_run
from swathe.errors import SurveyError
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder, open_dataset, read_survey_record, replay, write_derived
from swathe.store.folder import check_same_survey
from swathe.store.frozen import freeze, thaw


def files_of(folder: SurveyFolder) -> dict[str, bytes]:
    """Return the derived files by name."""
    paths = [folder.record, *(path for path in folder.zarr.rglob("*") if path.is_file())]
    return {path.relative_to(folder.path).as_posix(): path.read_bytes() for path in paths}


def kept(path: Path, journal: SpotJournal) -> SurveyFolder:
    """Return a survey folder with the files of a journal's pipeline."""
    folder = SurveyFolder(path)
    write_run(folder, journal.entries)
    write_derived(folder, journal.pipeline)
    return folder


def test_arrays_name_the_spots(tmp_path: Path) -> None:
    """By the coordinate `spot` along the scan axis, whose positions are numbers."""
    pytest.importorskip("xarray")
    journal = SpotJournal(spot_station(("P1", "Fuß 2", "P3")))
    journal.read("Fuß 2", 11.0)
    journal.end()
    folder = kept(tmp_path, journal)
    dataset = open_dataset(folder.zarr)
    assert dataset["spot"].values.tolist() == ["P1", "Fuß 2", "P3"]
    assert dataset["spot"].dims == ("scan",)
    assert dataset["scan"].values.tolist() == [1.0, 2.0, 3.0]
    assert dataset["scan"].attrs["units"] == "1"
    thin = dataset["thickness"].values[0]
    assert np.isnan(thin).tolist() == [True, False, True]
    assert "spot" in dataset.coords
    record = read_survey_record(folder.record)
    assert [spot.state for spot in record.spots] == ["open", "done", "open"]


@pytest.mark.parametrize("ascans", [False, True])
def test_rebuild_gives_the_same_bytes(tmp_path: Path, *, ascans: bool) -> None:
    """Arrays and record follow from the journal alone."""
    scene = SpotScene(name="spots", ascans=ascans)
    pipeline = Pipeline(parse_station(scene.station, "bench.toml"))
    entries = scene.journal(4)
    for entry in entries:
        pipeline.feed(entry)
    folder = SurveyFolder(tmp_path)
    write_run(folder, entries)
    write_derived(folder, pipeline)
    live = files_of(folder)
    assert any(spot.value is not None for spot in pipeline.spot_snapshots())
    write_derived(folder, replay(folder))
    assert files_of(folder) == live


def test_resuming_with_other_names_is_refused(tmp_path: Path) -> None:
    """A survey belongs to its spots."""
    journal = SpotJournal(spot_station(("P1", "P2")))
    journal.end()
    folder = kept(tmp_path, journal)
    check_same_survey(folder, parse_station(spot_station(("P1", "P2")), "bench.toml"))
    with pytest.raises(SurveyError, match=r"another plan \(spots\)"):
        check_same_survey(folder, parse_station(spot_station(("P1", "P3")), "bench.toml"))


@pytest.mark.parametrize("ascans", [False, True])
def test_state_that_was_kept_continues_alike(*, ascans: bool) -> None:
    """A checkpoint in the middle of a spot gives what the survey itself gives."""
    scene = SpotScene(name="spots", ascans=ascans)
    entries = scene.journal(5)
    pipeline = Pipeline(parse_station(scene.station, "bench.toml"))
    half = len(entries) // 2
    for entry in entries[:half]:
        pipeline.feed(entry)
    frozen = freeze(pipeline, most_bytes=1 << 30)
    assert frozen is not None
    buffers = [bytearray(part) for part in frozen.parts()]
    again: Pipeline = thaw(frozen.pickled, buffers, ("swathe", "swathe_drivers"))
    for entry in entries[half:]:
        pipeline.feed(entry)
        again.feed(entry)
    assert pipeline.spot_snapshots() == again.spot_snapshots()
    assert any(len(spot.couplings) > 1 for spot in pipeline.spot_snapshots())
    assert list(differences(state_of(pipeline), state_of(again))) == []
