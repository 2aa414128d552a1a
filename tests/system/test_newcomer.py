"""A newcomer's first station: installed anew, and what `init` prints run word for word in two shells."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support.daemon import wait_for

pytestmark = pytest.mark.slow


ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh virtual environment with what `pip install .` brings and no more; its programs."""
    folder = tmp_path_factory.mktemp("fresh") / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(folder)], check=True, timeout=100)
    pip = [str(folder / "bin" / "pip"), "install", "-q", str(ROOT)]
    done = subprocess.run(pip, capture_output=True, text=True, timeout=250, check=False)
    assert done.returncode == 0, done.stderr
    return folder / "bin"


def shell(command: str, folder: Path, programs: Path) -> subprocess.Popen[str]:
    """Start a command in a shell whose path has the `swathe` that was installed."""
    return subprocess.Popen(
        ["bash", "-c", f"exec {command}"],
        cwd=folder,
        env={
            **{name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
            "PATH": f"{programs}:{os.environ['PATH']}",
            "PYTHONUNBUFFERED": "1",
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def output_of(command: str, folder: Path, programs: Path) -> str:
    """Run a command to its end, which must be a good one; return what it printed."""
    process = shell(command, folder, programs)
    try:
        output, _ = process.communicate(timeout=100)
    finally:
        process.kill()
    assert process.returncode == 0, output
    return output


@pytest.mark.timeout(600)
def test_from_an_empty_folder_to_a_covered_survey(tmp_path: Path, installed: Path) -> None:
    """Both printed commands, the simulated part covered, its picture and its report."""
    folder = tmp_path / "fresh"
    folder.mkdir()
    printed = output_of(
        'swathe init --simulated belt --length "40 mm" --width "8 mm"', folder, installed
    )
    commands = [line.strip() for line in printed.splitlines() if line.startswith("  swathe ")]
    serve, scan, *afterwards = commands
    simulator = shell(serve, folder, installed)
    try:
        for port in ("encoder", "gauge", "crawler"):
            wait_for((folder / "ports" / port).exists, 30, f"the simulated {port}")
        covered = output_of(scan, folder, installed)
        assert "\n100.00 % of 22 cells measured" in covered
        simulator.send_signal(signal.SIGINT)
        served, _ = simulator.communicate(timeout=20)
        assert simulator.returncode == 0, served
    finally:
        simulator.kill()
        simulator.communicate()
    output = "".join(output_of(command, folder, installed) for command in afterwards)
    # More than once where a busy machine held it up.
    assert "moved by a crawler: armed " in output
    picture = (folder / "belt" / "thickness.png").read_bytes()
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    record = json.loads((folder / "belt" / "survey.json").read_bytes())
    assert record["progress"]["percent"] == 100
