"""A newcomer's first station: what `init` prints is run word for word in two shells."""

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


def shell(command: str, folder: Path) -> subprocess.Popen[str]:
    """Start a command in a shell whose path has `swathe`."""
    programs = folder.parent / "bin"
    if not programs.exists():
        programs.mkdir()
        swathe = programs / "swathe"
        swathe.write_text(f'#!/bin/sh\nexec "{sys.executable}" -u -m swathe "$@"\n')
        swathe.chmod(0o755)
    return subprocess.Popen(
        ["bash", "-c", f"exec {command}"],
        cwd=folder,
        env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def output_of(command: str, folder: Path) -> str:
    """Run a command to its end, which must be a good one; return what it printed."""
    process = shell(command, folder)
    try:
        output, _ = process.communicate(timeout=100)
    finally:
        process.kill()
    assert process.returncode == 0, output
    return output


def test_from_an_empty_folder_to_a_covered_survey(tmp_path: Path) -> None:
    """Both printed commands, the simulated part covered, its picture and its report."""
    folder = tmp_path / "fresh"
    folder.mkdir()
    printed = output_of('swathe init --simulated belt --length "40 mm" --width "8 mm"', folder)
    commands = [line.strip() for line in printed.splitlines() if line.startswith("  swathe ")]
    serve, scan, *afterwards = commands
    simulator = shell(serve, folder)
    try:
        for port in ("encoder", "gauge", "crawler"):
            wait_for((folder / "ports" / port).exists, 30, f"the simulated {port}")
        covered = output_of(scan, folder)
        assert "\n100.00 % of 22 cells measured" in covered
        simulator.send_signal(signal.SIGINT)
        served, _ = simulator.communicate(timeout=20)
        assert simulator.returncode == 0, served
    finally:
        simulator.kill()
        simulator.communicate()
    output = "".join(output_of(command, folder) for command in afterwards)
    assert "moved by a crawler: armed once" in output
    picture = (folder / "belt" / "thickness.png").read_bytes()
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    record = json.loads((folder / "belt" / "survey.json").read_bytes())
    assert record["progress"]["percent"] == 100
