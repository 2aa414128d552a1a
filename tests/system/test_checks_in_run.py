"""Calibration checks within a run, on real ports: by hand, and by a crawler on the part."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from support.crawl import (
    CrawlRun,
    crawl_station,
    crawler_of,
    crawler_scenario,
    drive_crawler,
    marks,
    moved_by,
    until,
)
from support.daemon import swathe
from support.instrument import COUNTS_PER_MM, VELOCITY, Instrument
from swathe.journal import MarkKind
from swathe.live import Daemon
from swathe.live.origin import Origin
from swathe.messages import CommandMessage
from swathe.motion import State
from swathe.pipeline import CRAWLER, CellState
from swathe.station import read_station
from swathe.store import SurveyFolder
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]

VERIFICATION = '[verification]\nsteps = ["{step}"]\ntolerance = "{tolerance}"\n{at}\n'
BY_HAND = """
name = "strip"
[survey]
folder = "survey"
[scan]
length = "40 mm"
resolution = "2 mm"
device = "probe"
counts_per_mm = {counts}
[calibration]
velocity = "{velocity} mm/us"
zero_offset = "0.42 us"
[verification]
steps = ["12.7 mm", "5.08 mm"]
tolerance = "0.1 mm"
[device.probe]
port = "{port}"
[device.probe.protocol]
columns = [
  {{ is = "counts", axis = "scan" }},
  {{ is = "time_of_flight", unit = "us", min = 0, max = 100 }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""


def give(daemon: Daemon, number: int, command: str, **fields: Any) -> str:
    """Give a command and return the reply's text."""
    message = CommandMessage.model_validate(
        {"command": command, "id": f"c-{number}", "by": "A. Kern", **fields}
    )
    return daemon.commands.execute(message, Origin.TERMINAL).detail


@pytest.fixture
def instrument() -> Iterator[Instrument]:
    """Return an instrument that speaks."""
    with Instrument() as made:
        yield made


async def taken(daemon: Daemon, instrument: Instrument, wall: float, number: int) -> str:
    """Lift the probe, put it on a step, and take the reading once it is steady."""
    instrument.wall = None
    await until(lambda: daemon.checks.now().reason.startswith("no echo"))
    instrument.wall = wall
    await until(lambda: daemon.checks.now().steady)
    return give(daemon, number, "check step")


async def scan(
    daemon: Daemon, instrument: Instrument, start: float, end: float, cells: range
) -> None:
    """Scan to and fro until cells are measured: a busy machine may hold up the instrument."""
    while not np.all(daemon.pipeline.grid.state[list(cells)] == CellState.MEASURED):
        await asyncio.to_thread(instrument.sweep, start, end, wall=9.5, seconds=0.9)
        await asyncio.sleep(0.3)
        start, end = end, start


async def hand(daemon: Daemon, instrument: Instrument, said: list[str]) -> None:
    """Scan half, check, give the place, scan the rest."""
    await until(lambda: "strip" in daemon.mirror.newest.get("swathe/strip/state", b"").decode())
    await scan(daemon, instrument, -3.0, 20.0, range(9))
    said.append(give(daemon, 1, "check"))
    instrument.place = 33.0  # the wheel turns in the hand
    for number, wall in enumerate((12.7, 5.08), 2):
        said.append(await taken(daemon, instrument, wall, number))
    await until(lambda: daemon.pipeline.position[0] is None)
    # Without a place nothing counts, wherever the counter says the probe is.
    before = daemon.pipeline.coverage.measured
    await asyncio.to_thread(instrument.sweep, 33.0, 23.0, wall=9.5, seconds=0.2)
    assert daemon.pipeline.coverage.measured == before
    await until(lambda: daemon.pipeline.no_reference("scan") is None)  # it rests
    said.append(give(daemon, 8, "reference", scan=16.0))  # the counter is at 23 mm
    await scan(daemon, instrument, 23.0, 51.0, range(9, 21))


def test_check_within_a_run_by_hand_pauses_judges_and_goes_on(
    tmp_path: Path, instrument: Instrument
) -> None:
    """The plan is covered in one run, though the probe was carried to the block in between."""
    path = tmp_path / "strip.toml"
    text = BY_HAND.format(counts=COUNTS_PER_MM, port=instrument.port, velocity=VELOCITY)
    path.write_text(text)
    station, text = read_station(path)
    instrument.wall, instrument.place = None, -3.0
    said: list[str] = []

    async def run() -> str:
        daemon = Daemon(station, text, SurveyFolder(tmp_path / "survey"))
        limit = asyncio.get_running_loop().call_later(120, daemon.stop, "not done in time")
        async with asyncio.TaskGroup() as tasks:
            other = tasks.create_task(hand(daemon, instrument, said))
            outcome = await daemon.run()
            other.cancel()
        limit.cancel()
        return outcome.reason

    assert asyncio.run(run()).startswith("the plan is covered"), said
    assert said[0].startswith("paused for a calibration check: step 12.7 mm, 1 of 2")
    assert "check 1 passed" in said[2]
    (check,) = [m.detail for m in marks(tmp_path / "survey", MarkKind.CHECK_BEGUN)]
    assert check["off_part"]
    before = (tmp_path / "survey" / "survey.json").read_bytes()
    assert swathe("rebuild", tmp_path / "survey", "--no-picture").returncode == 0
    assert (tmp_path / "survey" / "survey.json").read_bytes() == before


def crawled(
    serve: Serve,
    ports: Path,
    folder: Path,
    *,
    step: str,
    at: str,
    meanwhile: Callable[[Daemon], Any],
) -> tuple[CrawlRun, World]:
    """Drive the simulated crawler, whose plan has a reference step."""
    station = folder / "station.toml"
    rest = VERIFICATION.format(step=step, tolerance="1.5 mm", at=at)
    station.write_text(crawl_station(ports, speed=15, index_length=16, zero_count=-2500, rest=rest))
    world = serve(crawler_scenario(coupling=False), speed=15)
    return asyncio.run(drive_crawler(station, seconds=120, meanwhile=meanwhile)), world


async def ask_in_mid_line(daemon: Daemon) -> None:
    """Ask for a check while the crawler is on its first line."""
    await until(lambda: moved_by(daemon) > 100 and not daemon.pipeline.pauses.active)
    assert give(daemon, 1, "check") == (
        "the crawler finishes its line, and drives to its reference step"
    )


def test_crawler_checks_on_the_part_returns_and_covers_the_plan(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """It finishes its line first, and nothing that it reads on the way counts for a cell."""
    run, world = crawled(
        serve,
        ports,
        tmp_path,
        step="14 mm",
        at='at = { scan = "40 mm", index = "60 mm" }',
        meanwhile=ask_in_mid_line,
    )
    assert run.outcome.reason.startswith("the plan is covered")
    (check,) = run.outcome.record.checks
    assert (check.passed, check.by, len(check.steps)) == (True, "A. Kern", 1)
    assert crawler_of(world).log.violations == []
    rows = world.truth.rows("encoder")
    assert rows["index_mm"].max() == pytest.approx(60, abs=1)  # the plan ends at 16 mm
    begun = marks(tmp_path / "survey", MarkKind.CHECK_BEGUN)[0].time
    pauses = [
        m for m in marks(tmp_path / "survey", MarkKind.PAUSED) if "check" in m.detail["because"]
    ]
    assert pauses[0].time < begun
    assert {pause.detail["by"] for pause in pauses} == {CRAWLER}


async def decide(daemon: Daemon) -> None:
    """Ask for a check, see that the crawler stays where it failed, and end the run."""
    await ask_in_mid_line(daemon)
    crawl = daemon.crawl
    assert crawl is not None
    await until(lambda: crawl.machine.state is State.STOPPED)
    await until(lambda: "waiting for a person" in crawl.words)
    assert crawl.report is not None
    place, since = crawl.report.place, time.monotonic()
    await until(lambda: time.monotonic() > since + 1)
    assert crawl.report.place == place
    assert crawl.machine.state is State.STOPPED
    assert daemon.pipeline.pauses.active
    states = daemon.pipeline.grid.state
    assert not (states == CellState.MEASURED).any()
    assert (states == CellState.SUSPECT).sum() > 80
    daemon.stop("seen")


def test_crawler_stays_where_its_check_failed_until_a_person_decides(
    serve: Serve, ports: Path, tmp_path: Path
) -> None:
    """Though the station file ends a run that was stopped; all cells since the last pass are suspect."""
    run, world = crawled(
        serve,
        ports,
        tmp_path,
        step="10 mm",
        at='at = { scan = "40 mm", index = "60 mm" }',
        meanwhile=decide,
    )
    assert run.outcome.reason.startswith("seen")
    assert any("calibration check 1 failed" in words for words in run.words)
    assert crawler_of(world).log.violations == []
