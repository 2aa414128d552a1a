"""An outside driver as a package of its own: installed, found, and held to the contract."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "outside_driver"

USE = """
from swathe_drivers import driver_names, load_driver, parse_description
assert "invented_tally" in driver_names()
found = parse_description('driver = "invented_tally"\\n[protocol]\\naxis = "index"\\n', "tally.toml")
batch = found.decoder(ns_per_byte=0).feed(b"||-|.", 5)
print(load_driver("invented_tally").__module__, batch.positions["counts"].tolist())
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder into which the package was installed, without any network."""
    for tool in ("pip", "hatchling"):
        if importlib.util.find_spec(tool) is None:
            if os.environ.get("SWATHE_REQUIRE_ALL"):
                pytest.fail(f"{tool} is needed to install the outside driver")
            pytest.skip(f"{tool} is needed to install the outside driver")
    folder = tmp_path_factory.mktemp("outside")
    command = [
        sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index",
        "--no-build-isolation", "--disable-pip-version-check", "--target", str(folder), str(PACKAGE),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=250)
    assert done.returncode == 0, done.stderr
    return folder


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run Python with the package in its path, as after an ordinary installation."""
    environment = {**os.environ, "PYTHONPATH": str(folder)}
    return subprocess.run(
        [sys.executable, *arguments],
        capture_output=True, text=True, check=False, timeout=250, env=environment, cwd=folder,
    )  # fmt: skip


def test_installed_driver_is_found_by_its_entry_point(installed: Path) -> None:
    """A description names it like one of ours."""
    done = run(installed, "-c", USE)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "invented_tally [[2.0]]\n"


@pytest.mark.slow
def test_installed_driver_keeps_the_contract(installed: Path) -> None:
    """The tests that its author would run: over memory, a terminal and TCP, too."""
    done = run(
        installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull,
        "--rootdir", str(installed), str(PACKAGE / "contract.py"),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout
    assert "failed" not in done.stdout
