"""``swathe trend`` on surveys on disk, found by the name of their part."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
from datetime import UTC as UTC_ZONE
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from daemon.cli.test_compare import YEAR, write
from daemon.handmade import UTC
from support.documents import ROOT, Commands, blocks
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.comparison import dated
from swathe.errors import SwatheError
from swathe.station import AlarmKind
from swathe.store import SurveyFolder, VerifiedRecord, read_verified_record

LOSS = {-9: 0.0, -6: 0.31, -3: 0.6, 0: 0.9}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with four surveys three years apart; the newest is the first by name."""
    path = tmp_path_factory.mktemp("trend")
    for number, (years, loss) in enumerate(LOSS.items()):
        name = f"archive/{9 - number}/penstock-3"
        write(path / name, utc=UTC + years * YEAR, loss=loss, seed=number, hole=years == -6)
    return path


def run(*arguments: object) -> str:
    """Run the command and return what it printed."""
    result = CliRunner().invoke(app, ["trend", *(str(argument) for argument in arguments)])
    assert result.exit_code == 0, result.output
    return result.output


def test_rate_is_that_of_the_wall(folder: Path) -> None:
    """0.1 mm a year over the cells that all measured, in the order of the dates."""
    found = json.loads(run(folder, "--zone", "inlet: 0 mm to 6 mm", "--json"))
    whole, (inlet,) = found["whole"], found["zones"]
    assert (whole["cells"], whole["required"]) == (19, 21)
    assert (inlet["name"], inlet["cells"]) == ("inlet", 7)
    assert [point["years"] for point in whole["points"]] == pytest.approx([9, 6, 3, 0], abs=1e-3)
    means = [point["mean"] for point in whole["points"]]
    assert [means[0] - mean for mean in means] == pytest.approx(list(LOSS.values()), abs=0.02)
    for zone in (whole, inlet):
        assert zone["rate"]["low"] < 0.1 < zone["rate"]["high"]
        assert zone["rate"]["value"] == pytest.approx(0.1, abs=0.005)
        assert not zone["accelerates"]
    # What all readings share is not averaged away.
    assert all(0.004 < point["standard"] < 0.02 for point in whole["points"])


def test_text_has_the_series_and_claims_no_acceleration(folder: Path) -> None:
    """Dates, means, the rate, and that nothing shows it becomes faster."""
    text = run(folder)
    assert "Penstock 3: 4 surveys from 2018-01-" in text
    rate = re.search(r"rate of loss \+(0\.\d+) mm/year \(95 %: \+0\.\d+ to \+0\.\d+\)", text)
    assert rate is not None
    assert float(rate[1]) == pytest.approx(0.1, abs=0.005)
    assert "no evidence that it becomes faster or slower" in text
    assert "no statement of fitness for service" in text


def test_clock_that_is_not_trusted_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An alarm of the computer's clock in a record is in the notes of the trend."""
    real = read_verified_record
    alarm = SimpleNamespace(
        kind=AlarmKind.CLOCK_STEPPED,
        since=datetime(2027, 1, 15, tzinfo=UTC_ZONE),
        detail="set by 3 days",
    )

    def stepped(survey: SurveyFolder) -> VerifiedRecord:
        found = real(survey)
        return found._replace(record=found.record.model_copy(update={"alarms": (alarm,)}))

    monkeypatch.setattr(dated, "read_verified_record", stepped)
    assert "its date is not trusted: clock stepped, 2027-01-15: set by 3 days" in run(folder)


@pytest.mark.slow
def test_surveys_of_several_parts_are_refused(folder: Path, tmp_path: Path) -> None:
    """The parts are listed; one is chosen by its name; two surveys are too few."""
    other = write(tmp_path / "other", utc=UTC, loss=0.1, seed=9)
    record = (other / "survey.json").read_text("utf-8")
    assert '"Penstock 3"' in record
    third = write(tmp_path / "third", utc=UTC + YEAR, loss=0.2, seed=9, part="Bend 4")
    for arguments, words in (
        ((folder, third), "'Bend 4', 'Penstock 3'"),
        ((folder, "--part", "Bend 5"), "there are 'Penstock 3'"),
        ((folder, third, "--part", "Bend 4"), "3 surveys or more (got 1)"),
        ((other, next(folder.rglob("survey.json")).parent), "3 surveys or more"),
    ):
        result = CliRunner().invoke(app, ["trend", *map(str, arguments)])
        assert isinstance(result.exception, SwatheError), arguments
        assert words in str(result.exception)
    assert "4 surveys" in run(folder, third, "--part", "Penstock 3")


@pytest.mark.slow
def test_the_guide_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its commands, and its Python block."""
    monkeypatch.chdir(folder)
    page = "daemon/guide/trend.md"
    commands = Commands(page)
    assert "4 surveys" in run(*shlex.split(commands.take("swathe"))[1:])
    assert json.loads(run(*shlex.split(commands.take("swathe"))[1:]))["zones"][0]["name"] == "inlet"
    assert commands.left == []
    printed = []
    for block in blocks("python", of=ROOT / page):
        with contextlib.redirect_stdout(io.StringIO()) as output:
            exec(compile(block.text, page, "exec"), {})  # noqa: S102  a page of ours
        printed.append(output.getvalue().splitlines())
    lines, many = printed
    assert float(lines[0].split()[0]) == pytest.approx(0.1, abs=0.005)
    assert len(lines) == 5
    # Of each survey its line, in the order of the names: the newest, and thinnest, is the first.
    assert [line.split()[0] for line in many[:-1]] == ["6", "7", "8", "9"]
    minima = [float(line.split()[1]) for line in many[:-1]]
    assert minima == sorted(minima)
    assert float(many[-1]) == pytest.approx(0.1, abs=0.005)
