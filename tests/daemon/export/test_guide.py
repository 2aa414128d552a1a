"""The guide's page on hand-over: every command and every block is run."""

from __future__ import annotations

import contextlib
import io
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.exports import write_map
from support.documents import ROOT, Commands, blocks
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.export import ExportFormat

PAGE = "daemon/guide/handover.md"


@pytest.mark.slow
def test_page_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each command writes its file; each Python block runs on what is there then."""
    monkeypatch.chdir(tmp_path)
    write_map(tmp_path / "penstock-3")
    commands = Commands(PAGE).left
    assert {shlex.split(line)[4] for line in commands} == set(ExportFormat)
    for line in commands:
        done = CliRunner().invoke(app, shlex.split(line)[1:])
        assert done.exit_code == 3, done.output
        _, written = done.output.split()
        assert Path(written).stat().st_size > 0
    for block in blocks("python", of=ROOT / PAGE):
        with contextlib.redirect_stdout(io.StringIO()) as out:
            exec(compile(block.text, str(block), "exec"), {})  # noqa: S102  our own documents
    lines = out.getvalue().splitlines()
    assert lines[0] == "Penstock 3, belt 47.61 verified"
    assert lines[2] == "59 of 126 cells; {'unvisited': 62, 'no_signal': 4}"
    assert lines[3] == "10.00 mm at scan 20.0 mm, index 1.0 mm"
    assert lines[-3] == "751 readings, the lowest 10.00 mm"
    assert lines[-2:] == ["again.nc", "readings.parquet"]
    assert Path("again.nc").exists()
