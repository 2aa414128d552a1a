"""The package that `swathe driver new` writes: it passes its own tests, and is found by its entry point."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from swathe.cli.main import main
from swathe_drivers.errors import DriverError
from swathe_drivers.template import driver_package
from swathe_drivers.template.contract_inputs import TestExampleInputs as InputsContract

USE = """
from swathe_drivers import parse_description
decoder = parse_description('driver = "wall_gauge"\\n[protocol]\\n', "wall.toml").decoder(ns_per_byte=0)
print(decoder.feed(b"#007 A 12.41*7D\\r\\n", 5).readings["thickness"].tolist())
"""


def written(folder: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """Run `swathe driver new` in a folder; return its exit code."""
    monkeypatch.chdir(folder)
    monkeypatch.setattr(sys, "argv", ["swathe", "driver", "new", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


@pytest.mark.slow
def test_package_passes_its_tests_and_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after an ordinary installation: its source folder and its entry point on the path."""
    assert written(tmp_path, monkeypatch, "wall_gauge") == 0
    package = tmp_path / "wall_gauge"
    project = tomllib.loads((package / "pyproject.toml").read_text())
    ((group, points),) = project["project"]["entry-points"].items()
    info = package / "src" / "wall_gauge-0.1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: wall-gauge\nVersion: 0.1.0\n")
    lines = [f"{name} = {value}" for name, value in points.items()]
    (info / "entry_points.txt").write_text("\n".join([f"[{group}]", *lines, ""]))
    environment = {**os.environ, "PYTHONPATH": str(package / "src")}
    for command in (["-m", "pytest", "-q", "-p", "no:cacheprovider"], ["-c", USE]):
        done = subprocess.run(
            [sys.executable, *command],
            cwd=package, env=environment, capture_output=True, text=True, check=False, timeout=250,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        assert "passed" in done.stdout or done.stdout == "[12.41]\n"
        assert "failed" not in done.stdout


@pytest.mark.parametrize(
    "name",
    [
        "values_are_those_of_the_manual",
        "values_cover_what_the_decoder_gives",
        "damaged_samples_give_no_record",
        "abilities_fit_the_records",
        "abilities_stay",
    ],
)
def test_example_of_two_inputs_keeps_the_contract(name: str) -> None:
    """What concerns inputs; the whole of it in the package's own tests."""
    getattr(InputsContract(), f"test_{name}")()


def test_contract_requires_the_inputs_of_the_records() -> None:
    """Without them, nothing would be compared."""

    class Silent(InputsContract):
        values = tuple(
            {name: value for name, value in row.items() if name != "probe"}
            for row in InputsContract.values
        )

    with pytest.raises(AssertionError, match="state \\['probe'\\]"):
        Silent().test_values_cover_what_the_decoder_gives()


def test_nothing_is_left_of_the_example() -> None:
    """The names are those of the driver, everywhere."""
    for path, text in driver_package("ut_box2").items():
        assert "example" not in (path + text).lower(), path
        assert "swathe_drivers.template" not in text
    assert (
        'driver: ClassVar[str | type[Driver]] = "ut_box2"'
        in driver_package("ut_box2")["tests/test_ut_box2.py"]
    )


@pytest.mark.parametrize(
    "name", ["", "My_device", "2fast", "a-b", "a__b", "class", "swathe_x", "a.b", "../x"]
)
def test_name_that_is_none_is_refused(name: str) -> None:
    """With what it must be."""
    with pytest.raises(DriverError, match=r"lower-case letters.*'my_device', say"):
        driver_package(name)


def test_folder_that_is_not_empty_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another one may be named; an empty one is used."""
    (tmp_path / "box").mkdir()
    (tmp_path / "box" / "notes").write_text("mine")
    assert written(tmp_path, monkeypatch, "box") == 1
    assert "not empty; name another one with --folder" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "box").iterdir()] == ["notes"]
    (tmp_path / "other").mkdir()
    assert written(tmp_path, monkeypatch, "box", "--folder", "other") == 0
    assert (tmp_path / "other" / "src" / "box" / "__init__.py").exists()
