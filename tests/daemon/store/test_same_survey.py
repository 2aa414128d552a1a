"""A survey that is resumed stays the same survey, whatever was edited in its station file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daemon.handmade import INDEX_ENCODED, MS, START, UTC, Motion, ended, opened, station_text
from daemon.surveys import BACK, RUNS, TEXT, assert_same, write_survey
from swathe.errors import SurveyError
from swathe.journal import Mark, MarkKind, read_journal
from swathe.live.session import Session
from swathe.pipeline import CellState, Pipeline
from swathe.report import survey_lines
from swathe.station import parse_station
from swathe.store import SurveyFolder, record_of, replay, write_derived

LONGER = TEXT.replace('length = "25 mm"', 'length = "40 mm"')
ZONE = '[[exclude]]\nname = "lug"\nscan = ["21 mm", "24 mm"]\n'


def begin(folder: SurveyFolder, text: str, because: str = "") -> Pipeline:
    """Begin and end a run with a station file; return its pipeline."""
    with Session(folder, parse_station(text, "bench.toml"), text, because=because) as session:
        session.resume()
        return session.pipeline


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("counts_per_mm = 10", "counts_per_mm = 5", "scan.counts_per_mm was 10 and is 5"),
        ("counts_per_mm = 10", "counts_per_mm = 10\nzero_count = 5330", "scan.zero_count"),
        ("counts_per_mm = 10", "counts_per_mm = 10\nreversed = true", "scan.reversed"),
        ('unit="us"', 'unit="ns"', "device.gauge.protocol.columns"),
    ],
)
def test_decisive_change_needs_a_reason(tmp_path: Path, old: str, new: str, key: str) -> None:
    """It is refused with key and both values, journals nothing, and is kept where a reason is given."""
    folder = write_survey(tmp_path)
    before = list(read_journal(folder.journal))
    with pytest.raises(SurveyError, match="--changed 'REASON'") as refused:
        begin(folder, TEXT.replace(old, new), because="  ")
    assert key in str(refused.value)
    assert list(read_journal(folder.journal)) == before
    pipeline = begin(folder, TEXT.replace(old, new), because="another wheel")
    (change,) = record_of(pipeline).station_changes
    assert (change.run, change.decisive, change.because) == (3, True, "another wheel")
    assert change.key in str(refused.value)
    assert any("reason: another wheel" in line for line in survey_lines(record_of(pipeline)))
    assert_same(replay(folder), pipeline)
    begin(folder, TEXT.replace(old, new))  # and is no change in the next run


def test_each_run_is_read_by_its_own_file(tmp_path: Path) -> None:
    """Readings of the run with another scale are where that run's scale puts them."""
    text = TEXT.replace("counts_per_mm = 10", "counts_per_mm = 5")
    reboot = 5_000_000 * MS
    second = [entry._replace(time=entry.time - START + reboot) for entry in BACK.entries()]
    folder = write_survey(
        tmp_path,
        [
            RUNS[0],
            (
                opened(text, time=reboot - MS, utc=UTC + 3_600_000 * MS),
                *second,
                ended(reboot + 1600 * MS),
            ),
        ],
    )
    state = replay(folder).grid.state
    # 20 mm back to 5 mm in counts of a tenth of a mm is 40 mm to 10 mm at a fifth.
    assert state[25] == CellState.MEASURED
    assert np.all(state[15:26] == CellState.MEASURED)


def test_other_part_is_another_survey(tmp_path: Path) -> None:
    """Also with a reason."""
    text = TEXT.replace("[survey]", '[survey]\npart = "Penstock 3"')
    folder = SurveyFolder(tmp_path)
    begin(folder, text)
    with pytest.raises(SurveyError, match="is of the part 'Penstock 3'"):
        begin(folder, text.replace("Penstock 3", "Penstock 4"), because="it is the same")


def test_harmless_change_is_recorded(tmp_path: Path) -> None:
    """It needs no reason, and the record names it."""
    folder = write_survey(tmp_path)
    text = TEXT.replace("[survey]", "[survey]\ntarget_coverage = 90")
    pipeline = begin(folder, text, because="the wheel is the old one")
    (change,) = record_of(pipeline).station_changes
    assert (change.key, change.before, change.now) == ("survey.target_coverage", "100", "90")
    assert not change.decisive
    assert change.because == ""  # a reason is one for what decides


def test_area_that_was_extended_is_one_survey(tmp_path: Path) -> None:
    """Earlier cells keep what they have, new ones are to do; a rebuild gives the same."""
    folder = write_survey(tmp_path)
    before = replay(folder)
    write_derived(folder, before)
    begin(folder, TEXT)  # leaves a checkpoint of the shorter grid
    pipeline = begin(folder, LONGER)
    assert pipeline.grid.shape == (1, 41)
    assert pipeline.grid.state[:26].tolist() == before.grid.state.tolist()
    assert np.all(pipeline.grid.state[26:] == CellState.UNVISITED)
    assert_same(replay(folder), pipeline)
    import zarr

    assert zarr.open_group(folder.zarr, mode="r")["state"].shape == (1, 41)  # type: ignore[union-attr]
    again = begin(folder, LONGER)
    assert again.grid.shape == (1, 41)
    with pytest.raises(SurveyError, match=r"another plan \(scan axis\)"):
        begin(folder, TEXT)
    assert replay(folder, until=UTC + 1000 * MS).grid.shape == (1, 26)
    assert replay(folder, until=UTC + 10**18).grid.shape == (1, 41)


def test_lines_of_an_area_that_grew_in_length_stay_where_they_are(tmp_path: Path) -> None:
    """Cells of earlier runs keep line and column where lines have become longer."""
    text = station_text(scan_length=10, index=INDEX_ENCODED.format(length=3))
    motion = Motion(place=lambda ms: (ms / 100, 2.0), wall=lambda _: 10.0, first=0, last=1000)
    folder = write_survey(tmp_path, [(opened(text), *motion.entries(), ended(START + 1100 * MS))])
    before = replay(folder).grid
    pipeline = begin(folder, text.replace('length = "10 mm"', 'length = "15 mm"'))
    after = pipeline.grid
    assert after.shape == (4, 16)
    assert np.array_equal(after.hits.reshape(4, 16)[:, :11], before.hits.reshape(4, 11))
    assert before.hits.sum() == after.hits.sum() > 0


def test_area_that_grows_and_gains_a_zone(tmp_path: Path) -> None:
    """The zone takes out what was required until then, and only from that run on."""
    folder = write_survey(tmp_path)
    pipeline = begin(folder, LONGER + ZONE)
    (zone,) = pipeline.requests.zones
    assert zone.cells == 4
    assert_same(replay(folder), pipeline)


def test_zone_that_was_added_is_journalled_once(tmp_path: Path) -> None:
    """It is excluded from the run on that adds it; it cannot be taken out again."""
    folder = write_survey(tmp_path)
    pipeline = begin(folder, TEXT + ZONE)
    (zone,) = pipeline.requests.zones
    assert (zone.name, zone.by, zone.scan) == ("lug", "station file", (21.0, 24.0))
    assert np.all(pipeline.grid.state[21:25] == CellState.EXCLUDED)
    again = begin(folder, TEXT + ZONE)
    assert len(again.requests.zones) == 1
    marks = [e for e in read_journal(folder.journal) if isinstance(e, Mark)]
    assert [m.kind for m in marks].count(MarkKind.ZONE_EXCLUDED) == 1
    with pytest.raises(SurveyError, match=r"another plan \(excluded zones\)"):
        begin(folder, TEXT)
    assert_same(replay(folder), again)


def test_run_that_checks_changes_no_plan(tmp_path: Path) -> None:
    """It is compared with nothing, and the next scan is compared with the last scan."""
    folder = write_survey(tmp_path)
    other = TEXT.replace("counts_per_mm = 10", "counts_per_mm = 5")
    with Session(folder, parse_station(other, "b"), other, purpose="check") as session:
        session.resume()
    assert record_of(session.pipeline).station_changes == ()
    begin(folder, TEXT)
    with pytest.raises(SurveyError, match=r"scan\.counts_per_mm"):
        begin(folder, other)


def test_later_run_with_the_shorter_file_is_in_the_plan_all_the_same(tmp_path: Path) -> None:
    """A check with the file of before the extension leaves grid and arrays as they are."""
    folder = write_survey(tmp_path)
    begin(folder, LONGER)
    with Session(folder, parse_station(TEXT, "b"), TEXT, purpose="check") as session:
        session.resume()
        assert session.pipeline.station.shape == (1, 41)
        assert session.pipeline.grid.shape == (1, 41)
