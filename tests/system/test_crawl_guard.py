"""The crawler stops when the daemon cannot: killed, stopped, or hung in C code with the lock held."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.crawl import crawl_station, crawler_of, crawler_scenario, marks, moved
from support.daemon import DaemonProcess, wait_for
from swathe.journal import MarkKind, Sent, read_journal
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]

_HUNG = Path(__file__).parent.parent / "support" / "hung.py"


def ends(pid: int) -> bool:
    """Return whether a process is there no more."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"


def guards_of(pid: int) -> list[int]:
    """Return the processes that a daemon started to stop its machine."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdecimal():
            continue
        try:
            command = (entry / "cmdline").read_bytes()
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, IndexError):
            continue
        if b"stop_process.py" in command and parent == pid:
            found.append(int(entry.name))
    return found


def states(survey: Path) -> list[str]:
    """Return the crawler's states that the journal has."""
    return [mark.detail["state"] for mark in marks(survey, MarkKind.MOTION)]


@pytest.mark.parametrize("how", ["SIGKILL", "SIGSTOP"])
def test_daemon_that_is_gone_or_stopped_stops_the_crawler(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, how: str
) -> None:
    """A process of its own sends the stop; it ends with the daemon."""
    text = crawl_station(ports, guard='first_move = "0 mm"')
    (station := tmp_path / "station.toml").write_text(text)
    world = serve(crawler_scenario(), speed=1)
    process = daemon(station, "--arm")
    wait_for(lambda: moved(world) > 300, 60, "a move of the raster")
    (guard,) = guards_of(process.pid)
    stops = len(crawler_of(world).log.all("stop"))
    process.signal(getattr(signal, how))
    wait_for(lambda: len(crawler_of(world).log.all("stop")) > stops, 30, "the stop")
    if how == "SIGKILL":
        wait_for(lambda: ends(guard), 30, "the end of the process that guarded")
        process.finish()
    else:
        process.signal(signal.SIGCONT)

        wait_for(lambda: "failing" in states(tmp_path / "survey"), 30, "that it is a fault")
        process.signal(signal.SIGTERM)
        code, output = process.finish()
        assert code == 4, output
        # The stop of the other process is in the journal, whoever was the first to say why.
        sent = [e for e in read_journal(tmp_path / "survey" / "journal") if isinstance(e, Sent)]
        assert any(e.data.endswith(b"\n!") for e in sent if e.port == "motion"), sent[-20:]
        wait_for(lambda: ends(guard), 30, "the end of the process that guarded")
    assert crawler_of(world).log.violations == []


def test_loop_that_hangs_in_c_code_stops_the_crawler(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """The interpreter's lock is held: no thread of the daemon takes a turn, the other process does."""
    text = crawl_station(ports, guard='first_move = "0 mm"')
    (station := tmp_path / "station.toml").write_text(text)
    world = serve(crawler_scenario(), speed=1)
    with subprocess.Popen(
        [sys.executable, str(_HUNG), str(station)], stdout=subprocess.PIPE
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"hung\n"
            crawler = crawler_of(world)
            wait_for(lambda: bool(crawler.log.all("stop")), 30, "the stop")
            # At 120 mm/s: 1.25 s without a sign of life, and the way in which it brakes.
            assert process.poll() is None
        finally:
            process.kill()
    assert crawler_of(world).log.violations == []
