"""Files of cells, layers and places, each opened by a reader that is not ours."""

from __future__ import annotations

import io
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import pytest
import xarray
from typer.testing import CliRunner

import swathe
from daemon.exports import write_map, write_survey_of
from daemon.handmade import Motion, station_text
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.errors import SurveyError, SwatheError
from swathe.export import ExportFormat, csv_header, export_survey
from swathe.store import SurveyFolder


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return the survey of a map."""
    return write_map(tmp_path_factory.mktemp("export") / "penstock-3")


def table(path: Path) -> tuple[list[str], pd.DataFrame]:
    """Return the header lines of a text file and its columns, as pandas reads them."""
    text = path.read_text("utf-8").splitlines()
    count = int(text[0].removeprefix("# header lines: "))
    assert all(line.startswith("# ") for line in text[:count])
    return text[:count], pd.read_csv(path, skiprows=count)


def test_cells_are_those_of_the_arrays(survey: SurveyFolder, tmp_path: Path) -> None:
    """Every cell has a row: places, state in words, values to a tenth of a micrometre."""
    header, cells = table(export_survey(survey, "csv", tmp_path / "cells.csv"))
    arrays = swathe.open_survey(survey.path).arrays().load()
    again = pd.read_csv(tmp_path / "cells.csv", comment="#")
    pd.testing.assert_frame_equal(cells, again)
    assert len(cells) == arrays.thickness.size == 126
    shape = arrays.thickness.shape
    meanings = np.array(arrays.state.flag_meanings.split())
    states = np.char.replace(meanings[arrays.state.to_numpy()], "_", " ")
    assert (cells.state.to_numpy().reshape(shape) == states).all()
    assert set(cells.state) == {"measured", "no signal", "unvisited"}
    for name, column in (("thickness", "thickness_mm"), ("thickness_mean", "thickness_mean_mm")):
        found = cells[column].to_numpy().reshape(shape)
        np.testing.assert_allclose(found, arrays[name], atol=0.00006)
    np.testing.assert_array_equal(cells.hits.to_numpy().reshape(shape), arrays.hits)
    np.testing.assert_array_equal(cells.scan_mm.to_numpy().reshape(shape)[0], arrays.scan)
    np.testing.assert_array_equal(cells.index_mm.to_numpy().reshape(shape)[:, 0], arrays["index"])
    times = (
        pd.to_datetime(cells.last_time)
        .dt.tz_localize(None)
        .to_numpy()
        .astype("datetime64[ms]")
        .reshape(shape)
    )
    np.testing.assert_array_equal(times, arrays.last_time.to_numpy().astype("datetime64[ms]"))
    doubtful = cells[(cells.state == "measured") & (cells.counts == "no")]
    assert [(row.scan_mm, row.index_mm, row.quality) for row in doubtful.itertuples()] == [
        (20, 3, "lone_low")
    ]
    assert not (cells[cells.state != "measured"].counts == "yes").any()
    assert "# part: Penstock 3, belt" in header
    assert any("gaps open" in line for line in header)
    assert any("no statement of fitness" in line for line in header)
    assert [line for line in header if line.startswith("# column thickness_mm: ")]


def test_bands_change_no_row(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file does not depend on how many cells are held at a time, not even within a row."""
    whole = export_survey(survey, "csv", tmp_path / "whole.csv").read_bytes()
    for cells in (8, 50):
        monkeypatch.setattr("swathe.export.cells_csv._BAND_CELLS", cells)
        parts = export_survey(survey, "csv", tmp_path / f"{cells}.csv").read_bytes()
        assert parts == whole


def test_inches_have_their_name_and_their_decimals(tmp_path: Path) -> None:
    """A survey that is read in inches is handed over in inches."""
    folder = write_map(tmp_path / "inch", units="in")
    _, cells = table(export_survey(folder, "csv", tmp_path / "cells.csv"))
    arrays = swathe.open_survey(folder.path).arrays().load()
    found = cells.thickness_in.to_numpy().reshape(arrays.thickness.shape)
    np.testing.assert_allclose(found * 25.4, arrays.thickness, atol=0.00002)
    assert cells.scan_in.max() == pytest.approx(20 / 25.4, abs=1e-6)
    header, places = table(export_survey(folder, "lowest", tmp_path / "lowest.csv"))
    assert places.thickness_in[0] == pytest.approx(10.0 / 25.4, abs=1e-3)
    assert any(" in" in line for line in header if line.startswith("# apart"))


def test_lowest_places_are_those_of_the_evaluation(survey: SurveyFolder, tmp_path: Path) -> None:
    """Rank, value and place, and among which cells they were found."""
    out = export_survey(survey, "lowest", tmp_path / "low.csv", lowest=4, separation=5.0)
    header, places = table(out)
    found = swathe.open_survey(survey.path).evaluate(lowest=4, separation=5.0)
    assert places["rank"].tolist() == [1, 2, 3, 4, 1]
    # The last one was read twice on the way from line to line, and is lone.
    assert places.counts.tolist() == [*["yes"] * 4, "no"]
    assert len(found.lowest_apart) == 1
    for row, place in zip(places.itertuples(), (*found.lowest, *found.lowest_apart), strict=True):
        assert row.thickness_mm == pytest.approx(place.thickness, abs=0.00006)
        assert (row.scan_mm, row.index_mm) == (place.scan, place.index)
    unread = sum(found.survey.not_read.values())
    assert any(f"{unread:,} have no reading" in line for line in header)
    assert "# apart: 5.0 mm at least" in header


def test_netcdf_opens_as_the_dataset(survey: SurveyFolder, tmp_path: Path) -> None:
    """Names, values, times, coordinates and attributes are those of the Dataset."""
    out = export_survey(survey, "netcdf", tmp_path / "map.nc")
    with xarray.open_dataset(out, engine="h5netcdf") as opened:
        found = opened.load()
    stated = {name: found.attrs.pop(name) for name in list(found.attrs) if name[:7] == "survey_"}
    expected = swathe.open_survey(survey.path).arrays().load()
    xarray.testing.assert_identical(found, expected)
    for name, layer in expected.variables.items():
        assert found[name].dtype == layer.dtype, name
    assert found.state.attrs["flag_values"].dtype == np.uint8
    # For readers to which this number is no missing time by itself.
    assert found.last_time.encoding["_FillValue"] == np.iinfo(np.int64).min
    assert found.thickness.units == "mm"
    assert stated["survey_status"] == "incomplete"
    assert "gaps open" in stated["survey_coverage"]
    assert "survey_not_verified" not in stated


def test_netcdf_is_written_band_by_band(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The values do not depend on how many rows are held at a time."""
    monkeypatch.setattr("swathe.export.netcdf._BAND_BYTES", 1)
    out = export_survey(survey, "netcdf", tmp_path / "map.nc")
    with xarray.open_dataset(out, engine="h5netcdf") as opened:
        xarray.testing.assert_equal(opened.load(), swathe.open_survey(survey.path).arrays().load())


def test_picture_is_to_scale(survey: SurveyFolder, tmp_path: Path) -> None:
    """The map of 21 x 6 mm is 10 times as large on paper: so many dots between its borders."""
    out = export_survey(survey, "png", tmp_path / "map.png")
    from matplotlib.image import imread

    pixels: Any = imread(out)[..., :3]
    # Colours of the map: neither white nor grey. Its row 0 was scanned from end to end.
    coloured = np.ptp(pixels, axis=2) > 0.1
    columns = np.flatnonzero(coloured[: int(pixels.shape[0] * 0.6)].sum(axis=0) > 40)
    map_columns = columns[columns < pixels.shape[1] * 0.83]
    width = map_columns[-1] - map_columns[0]
    assert width / 200 * 25.4 == pytest.approx(210, abs=1.5)


def test_a_line_has_no_map(tmp_path: Path) -> None:
    """What has no map is refused with what shows it, and nothing is left behind."""
    motion = Motion(place=lambda ms: (ms / 10,), wall=lambda _: 10.0, first=0, last=200)
    folder = write_survey_of(tmp_path / "line", station_text(scan_length=20), motion)
    with pytest.raises(SwatheError, match="has no map"):
        export_survey(folder, "png", tmp_path / "map.png")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["line"]
    _, cells = table(export_survey(folder, "csv", tmp_path / "cells.csv"))
    assert len(cells) == 21


def test_a_file_is_replaced_only_if_asked(survey: SurveyFolder, tmp_path: Path) -> None:
    """What is there stays, also where the export fails, and a link is replaced, not followed."""
    out, other = tmp_path / "cells.csv", tmp_path / "other"
    out.write_text("mine", "utf-8")
    with pytest.raises(SwatheError, match="--force"):
        export_survey(survey, "csv", out)
    assert out.read_text("utf-8") == "mine"
    export_survey(survey, "csv", out, force=True)
    assert out.read_text("utf-8").startswith("# header lines")
    other.write_text("theirs", "utf-8")
    out.unlink()
    out.symlink_to(other)
    with pytest.raises(SwatheError, match="is there already"):
        export_survey(survey, "csv", out)
    export_survey(survey, "csv", out, force=True)
    assert other.read_text("utf-8") == "theirs"
    assert not out.is_symlink()
    with pytest.raises(SwatheError, match="is a folder"):
        export_survey(survey, "csv", tmp_path, force=True)
    with pytest.raises(SwatheError, match="cannot be written"):
        export_survey(survey, "csv", tmp_path / "none" / "cells.csv")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cells.csv", "other"]


def test_a_file_that_comes_meanwhile_stays(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is looked for again as it is put in its place."""
    out = tmp_path / "cells.csv"

    def meanwhile(*arguments: Any) -> None:
        out.write_text("theirs", "utf-8")
        csv_header.write_header(*arguments)

    monkeypatch.setattr("swathe.export.cells_csv.write_header", meanwhile)
    with pytest.raises(SwatheError, match="is there already"):
        export_survey(survey, "csv", out)
    assert out.read_text("utf-8") == "theirs"
    assert list(tmp_path.iterdir()) == [out]


def test_the_survey_itself_is_never_written(survey: SurveyFolder) -> None:
    """Nothing goes into the survey's folder, asked for or not: the journal is in it."""
    before = sorted(survey.path.rglob("*"))
    for name in ("survey.json", "cells.csv", "journal/0001.mcap"):
        with pytest.raises(SwatheError, match="own folder"):
            export_survey(survey, "csv", survey.path / name, force=True)
    assert sorted(survey.path.rglob("*")) == before


def test_changed_arrays_are_refused(survey: SurveyFolder, tmp_path: Path) -> None:
    """Values that are not those that were written leave no file."""
    copy = SurveyFolder(tmp_path / "copy")
    shutil.copytree(survey.path, copy.path)
    chunk = copy.zarr / "thickness" / "c" / "0" / "0"
    chunk.write_bytes(chunk.read_bytes()[:-1] + b"x")
    for to in (ExportFormat.CSV, ExportFormat.LOWEST, ExportFormat.NETCDF, ExportFormat.PNG):
        with pytest.raises(SurveyError):
            export_survey(copy, to, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["copy"]


def test_what_is_not_verified_says_so(survey: SurveyFolder, tmp_path: Path) -> None:
    """Without digests the files carry the reason, and the command its exit code."""
    copy = SurveyFolder(tmp_path / "copy")
    shutil.copytree(survey.path, copy.path)
    (copy.path / "digests.jsonl").unlink()
    header, _ = table(export_survey(copy, "csv", tmp_path / "cells.csv"))
    assert any(line.startswith("# not verified: ") for line in header)
    with xarray.open_dataset(
        export_survey(copy, "netcdf", tmp_path / "map.nc"), engine="h5netcdf"
    ) as opened:
        assert opened.attrs["survey_not_verified"]


def test_command_names_the_file_and_ends_as_evaluate(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is in the working directory; 3 is a survey that does not meet its target."""
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(app, ["export", str(survey.path), "--to", "lowest", "--apart", "5 mm"])
    assert (run.exit_code, run.output) == (3, "lowest: penstock-3-lowest.csv\n")
    assert "# apart: 5.0 mm at least" in Path("penstock-3-lowest.csv").read_text("utf-8")
    for arguments, text in (
        (["--to", "xls"], "there is no format 'xls': name one of csv, lowest, netcdf"),
        (["--to", "csv", "--apart", "5 mm"], "'--apart' is for --to lowest"),
        (["--to", "lowest"], "is there already: give --force"),
    ):
        run = CliRunner().invoke(app, ["export", str(survey.path), *arguments])
        assert run.exit_code == 1
        assert text in str(run.exception)


def test_missing_package_names_the_extra(
    survey: SurveyFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the extra there is an error that says what to install, and no file."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(SwatheError, match=r"pip install 'swathe\[export\]'"):
        export_survey(survey, "netcdf", tmp_path / "map.nc")
    assert not list(tmp_path.iterdir())


def test_texts_of_a_stranger_stay_in_their_line(tmp_path: Path) -> None:
    """A part whose name has line breaks and escapes makes no further header or column."""
    motion = Motion(place=lambda ms: (ms / 10,), wall=lambda _: 10.0, first=0, last=200)
    text = station_text(scan_length=20, survey='part = "a\\nscan_mm,index_mm\\u001b[2J"')
    folder = write_survey_of(tmp_path / "line", text, motion)
    header, cells = table(export_survey(folder, "csv", tmp_path / "cells.csv"))
    assert "# part: a scan_mm,index_mm\\x1b[2J" in header
    assert len(cells) == 21
    assert io.StringIO(header[0]).read() == f"# header lines: {len(header)}"
