"""``swathe compare`` on surveys on disk, two years apart, with the budgets of their calibration records."""

from __future__ import annotations

import contextlib
import io
import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import swathe
from daemon.handmade import UTC, Motion, ended, opened
from daemon.station.test_law import record, text_with
from support.documents import ROOT, Commands, blocks
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.errors import SwatheError
from swathe.journal import Entry, JournalWriter, Mark
from swathe.station import budget_of
from swathe.store import SurveyFolder, read_survey_record, replay, write_derived

YEAR = round(365.25 * 86400 * 1e9)
SD = 0.02
LOSS = 0.6
TABLES = f'[uncertainty]\nrepeatability = "{SD} mm"\n'
# No echo in the cells at 16 and 17 mm, in one survey only.
HOLE = range(820, 930)


def write(
    path: Path,
    *,
    utc: int,
    loss: float,
    seed: int,
    hole: bool = False,
    units: str = "",
    part: str = "Penstock 3",
) -> Path:
    """Write a survey of 21 cells of a wall that becomes thinner along the scan axis."""
    made, text = record(), text_with(TABLES)
    text = units + text.replace("[survey]", f'[survey]\npart = "{part}"')
    noise = SD * np.random.default_rng(seed).standard_normal(5000)
    motion = Motion(
        lambda ms: (ms / 50 - 1,),
        lambda ms: "N" if hole and ms in HOLE else 11.0 - loss - ms / 1000 + noise[round(ms)],
        0,
        1200,
    )
    mark = opened(text, utc=utc)
    begin = Mark(mark.time, mark.kind, {**mark.detail, "calibration": made.model_dump(mode="json")})
    survey = SurveyFolder(path)
    with survey:
        entries: list[Entry] = [begin, *motion.entries()]
        entries.append(ended(entries[-1].time + 1_000_000, status="complete"))
        with JournalWriter(survey.journal, wall_clock=lambda: utc) as journal:
            for entry in entries:
                journal.write(entry)
        write_derived(survey, replay(survey))
    return path


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Return surveys of the years 0, 8 and 10; the last one reads inches."""
    path = tmp_path_factory.mktemp("compare")
    return (
        write(path / "first", utc=UTC - 10 * YEAR, loss=0.0, seed=1),
        write(path / "second", utc=UTC - 2 * YEAR, loss=0.2, seed=2, hole=True),
        write(path / "third", utc=UTC, loss=LOSS, seed=3, units='units = "in"\n'),
    )


def run(*arguments: object, code: int = 0) -> str:
    """Run the command and return what it printed."""
    result = CliRunner().invoke(app, ["compare", *(str(argument) for argument in arguments)])
    assert result.exit_code == code, result.output
    return result.output


def test_difference_rates_and_life_are_those_of_the_wall(surveys: tuple[Path, Path, Path]) -> None:
    """0.4 mm in 2 and 0.6 mm in 10 years; to 7 mm by the larger rate; the shared error is the budget's."""
    found = json.loads(run(*surveys, "--required", "7 mm", "--json"))
    long_term, short_term = found["whole"]["rates"]
    for rate, true in ((long_term, 0.06), (short_term, 0.2)):
        assert rate["value"] == pytest.approx(true, abs=0.008)
        assert rate["low"] < true < rate["high"]
    assert found["whole"]["governing"] == short_term
    assert [one["years"] for one in found["pairs"]] == pytest.approx([10, 2], abs=1e-4)
    assert found["surveys"][0]["part"] == "Penstock 3"
    # 21 cells, less what had no echo in the second survey.
    first, last = found["whole"]["pairs"]
    assert first["pairs"] == 21
    assert last["pairs"] + last["not_earlier"] == 21
    assert last["not_earlier"] == 2
    assert last["loss"] == last["pairs"]
    shares = []
    minima = [read_survey_record(path / "survey.json").progress.minimum for path in surveys]
    for path, minimum in zip(surveys[1:], minima[1:], strict=True):
        assert minimum is not None
        budget = budget_of(SurveyFolder(path).plan(), minimum + 0.5)
        assert budget is not None
        own = {"repeatability", "coupling"}
        shares += [p.standard_uncertainty for p in budget.components if p.name not in own]
    assert found["pairs"][1]["shared_standard"] == pytest.approx(np.hypot.reduce(shares), rel=0.05)
    life = found["whole"]["life"]
    lowest = last["lowest"]["thickness"]
    assert lowest == pytest.approx(minima[2], abs=1e-3)
    assert life["years"] == pytest.approx((lowest - 7.0) / short_term["value"])
    assert life["low"] < life["years"] < life["high"]


def test_text_states_what_was_compared_in_the_latest_surveys_unit(
    surveys: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    """An inch survey against one in mm: inches, thousandths a year; what was not compared; the caution."""
    picture = tmp_path / "difference.png"
    text = run(
        *surveys[1:], "--zone", "inlet: 0 mm to 6 mm", "--picture", picture, "--required", "7 mm"
    )
    assert "Penstock 3" in text
    assert "2.00 years apart" in text
    assert "thou/year (95 %: +" in text
    assert "not in the earlier survey" in text
    assert "mean difference -0.01" in text
    assert "inlet" in text
    assert "remaining life by the mean rate: " in text
    assert "one calibration record" in text
    assert "no statement of fitness for service" in text
    assert "WARNING" not in text
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_growth_is_a_matter_of_the_measurement(
    surveys: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    """A later survey that reads thicker gets a warning and no life."""
    thicker = write(tmp_path / "thicker", utc=UTC + YEAR, loss=0.0, seed=5)
    text = run(surveys[2], thicker, "--required", "7 mm")
    assert "a wall does not grow: look at coupling, datum, velocity, temperature" in text
    assert "not stated: the wall reads thicker than before" in text
    assert "significant loss: 0 cells" in text


@pytest.mark.slow
def test_order_of_dates_and_wrong_arguments_are_refused(surveys: tuple[Path, Path, Path]) -> None:
    """The older survey comes first; the pattern of a line carries nothing; a level is a share."""
    for arguments, words in (
        ((surveys[2], surveys[0]), "was measured before"),
        ((surveys[0],), "two surveys or more"),
        ((*surveys, "--years", "1"), "between two surveys"),
        ((*surveys[1:], "--align", "pattern"), "single line has no pattern"),
        ((*surveys[1:], "--align", "feel"), "'datum' or 'pattern'"),
        ((*surveys[1:], "--level", "80 %"), "between 0 and 50 %"),
        ((*surveys[1:], "--shift", "1 mm, 2 mm, 3 mm"), "one length or two"),
        ((*surveys[1:], "--shift", "40 mm"), "no cell in common"),
    ):
        result = CliRunner().invoke(app, ["compare", *map(str, arguments)])
        assert isinstance(result.exception, SwatheError), arguments
        assert words in str(result.exception)


def test_without_a_calibration_record_no_interval_is_stated(
    surveys: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What all readings share is not known: nothing is significant, until a person states it."""
    from swathe.comparison import dated

    bare = read_survey_record(surveys[1] / "survey.json").model_copy(update={"uncertainty": None})
    monkeypatch.setattr(dated, "read_verified_record", lambda _: (bare, ""))
    found = swathe.compare_surveys(surveys[1:])
    assert found.whole.pairs[0].mean is not None
    assert found.whole.pairs[0].mean.low is None
    assert "no calibration record" in found.latest.differences.missing
    assert found.whole.pairs[0].loss == 0
    stated = swathe.compare_surveys(surveys[1:], shared=0.03)
    assert stated.whole.pairs[0].loss == stated.whole.pairs[0].pairs


def test_shift_pairs_other_cells(surveys: tuple[Path, Path, Path]) -> None:
    """On a wall that falls by 0.05 mm a cell, a datum that is off by two cells feigns 0.1 mm."""
    right = swathe.compare_surveys(surveys[1:]).whole.pairs[0].mean
    off = (
        swathe.compare_surveys(surveys[1:], shift=(2.0, 0.0), shift_uncertainty=1.0)
        .whole.pairs[0]
        .mean
    )
    assert right is not None
    assert off is not None
    assert right.value - off.value == pytest.approx(0.1, abs=0.02)
    assert right.standard is not None
    assert off.standard == pytest.approx(np.hypot(right.standard, 0.05), rel=0.1)


@pytest.mark.slow
def test_the_guide_runs(
    surveys: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Its commands, and its Python block."""
    for name, path in (("2025", surveys[1]), ("2026", surveys[2])):
        (tmp_path / name).mkdir()
        shutil.copytree(path, tmp_path / name / "penstock-3")
    monkeypatch.chdir(tmp_path)
    page = "daemon/guide/comparison.md"
    commands = Commands(page)
    texts = [run(*shlex.split(commands.take("swathe"))[1:]) for _ in range(3)]
    assert "remaining life" in texts[0]
    assert "inlet" in texts[1]
    assert (tmp_path / "difference.png").is_file()
    assert json.loads(texts[2])["pairs"][0]["registration"]["standard"]["scan"] == pytest.approx(
        0.5
    )
    assert commands.left == []
    (block,) = blocks("python", of=ROOT / page)
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(block.text, page, "exec"), {})  # noqa: S102  a page of ours
    lines = printed.getvalue().splitlines()
    assert lines[0].startswith("19 -0.")
    assert lines[1].endswith("bounded") or lines[1].endswith("reached")
    assert lines[2].endswith("datum")
