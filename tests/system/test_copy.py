"""A run whose copy on object storage survives the loss of the storage, over real ports and a real server."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import DaemonProcess, station_text, swathe, wait_for
from support.storage import storage_server
from swathe_simulators import World

pytestmark = pytest.mark.slow


def test_storage_stops_and_starts_during_a_run(
    serve: Callable[..., World],
    daemon: Callable[..., DaemonProcess],
    ports: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was journalled while the storage was away is in the copy, which equals the original."""
    server = storage_server(tmp_path / "objects")
    try:
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        station = tmp_path / "station.toml"
        copying = '\n[store]\ncopy_to = "s3://surveys/site"\ncopy_interval = "500 ms"\n'
        station.write_text(station_text("profile", ports) + copying)
        serve("profile", speed=1)
        run = daemon(station)
        objects = tmp_path / "objects/surveys/site"
        wait_for(
            lambda: len(list(objects.rglob("*.pieces/*_object"))) > 1, 30, "pieces of the journal"
        )
        server.stop()
        journal = tmp_path / "survey/journal/0001.mcap"
        size = journal.stat().st_size
        wait_for(lambda: journal.stat().st_size > size + 4000, 30, "a journal that grows")
        server.start()
        run.signal(signal.SIGINT)
        code, output = run.finish()
        assert code == 3, output
        copy = next(objects.iterdir()).name
        assert f"verified by SHA-256 at s3://surveys/site/{copy}" in output, output[-800:]
        compared = swathe("check", tmp_path / "survey", "--copy", f"s3://surveys/site/{copy}")
        assert compared.returncode == 0, compared.stdout + compared.stderr
        assert "equal by SHA-256" in compared.stdout
        assert server.environment["AWS_SECRET_ACCESS_KEY"].encode() not in journal.read_bytes()
    finally:
        server.stop()
