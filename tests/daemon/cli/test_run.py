"""What `swathe run` prepares before the daemon's loop begins."""

from __future__ import annotations

import gc
from collections.abc import Coroutine
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import pytest
from typer.testing import CliRunner

from support.simulated.strip import station_text
from swathe.cli.app import app


def test_search_for_garbage_leaves_out_what_was_imported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of them would hold up the loop by as much as a kill may lose."""
    station = tmp_path / "station.toml"
    station.write_text(station_text())
    left: list[int] = []

    def run_loop(work: Coroutine[Any, Any, int]) -> int:
        work.close()
        left.append(len(gc.get_objects()))
        return 0

    freed = MagicMock()
    monkeypatch.setattr("swathe.cli.run.return_freed_memory", freed)
    for name in ("STOP_REQUESTS", "STEADY_OUTPUT"):
        monkeypatch.setattr(f"swathe.cli.run.{name}", MagicMock())
    monkeypatch.setattr("swathe.cli.run.asyncio.run", run_loop)
    try:
        done = CliRunner().invoke(app, ["run", str(station)])
        assert done.exit_code == 0, done.output
        assert gc.get_freeze_count() > 10_000
        assert freed.called
        assert left[0] < 1_000
    finally:
        gc.unfreeze()
