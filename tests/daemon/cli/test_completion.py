"""Completion in a real shell: commands, options, names of scenarios, files."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from swathe_simulators import builtin_scenarios

_ASK = """
source script
for line in "$@"; do
  read -ra COMP_WORDS <<< "$line"
  [ "${line: -1}" = " " ] && COMP_WORDS+=("")
  COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
  _swathe_completion swathe
  echo "$(sort <<< "${COMPREPLY[*]}" | tr '\\n' ' ')"
done
"""


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with bash's completion of `swathe`, which is on the path."""
    swathe = tmp_path / "swathe"
    # As the installed script does it: the name of the program is in the script of the shell.
    program = "import sys; sys.argv[0] = 'swathe'; from swathe.entry import run_command as r; r()"
    swathe.write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{program}" "$@"\n')
    swathe.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    shown = subprocess.run(
        [swathe, "--show-completion", "bash"], capture_output=True, check=True, timeout=60
    )
    (tmp_path / "script").write_bytes(shown.stdout)
    return tmp_path


def test_bash_completes(shell: Path) -> None:
    """A command, an option of it, the scenarios; where nothing is offered bash completes files."""
    lines = ["swathe simu", "swathe init --gauge-", "swathe simulate b", "swathe check "]
    result = subprocess.run(
        ["bash", "-c", _ASK, "bash", *lines],
        cwd=shell,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    starting_with_b = " ".join(name for name in builtin_scenarios() if name[0] == "b")
    assert [line.strip() for line in result.stdout.splitlines()] == [
        "simulate",
        "--gauge-protocol",
        starting_with_b,
        "",
    ]
    assert "-o default" in (shell / "script").read_text()
