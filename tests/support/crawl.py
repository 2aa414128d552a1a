"""A station with the simulated crawler, and the daemon that drives it within this process."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from support.daemon import _ENCODER, _GAUGE
from swathe.journal import Mark, MarkKind, read_journal
from swathe.live import Daemon, RunOutcome
from swathe.station import read_station, survey_folder
from swathe.store import SurveyFolder
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario
from swathe_simulators.crawler.machine import Crawler

__all__ = [
    "CrawlRun",
    "crawl_station",
    "crawler_of",
    "crawler_scenario",
    "drive_crawler",
    "marks",
    "moved",
    "moved_by",
    "until",
]

_PLAN = """
name = "penstock-belt"
[survey]
folder = "survey"
part = "Penstock 3"
nominal_thickness = "14 mm"
target_coverage = "{target} %"
[scan]
length = "400 mm"
resolution = "4 mm"
device = "encoder"
counts_per_mm = 26.07
zero_count = {zero_count}
[index]
length = "{index_length} mm"
resolution = "8 mm"
device = "encoder"
counts_per_mm = 40
[[exclude]]
name = "lug of the support ring"
scan = ["312 mm", "358 mm"]
index = ["6 mm", "26 mm"]
[calibration]
velocity = "5920 m/s"
zero_offset = "0.42 us"
"""
# What the simulated crawler is, as an integrator would write it down; its travel is 18 mm longer.
_MOTION = """
[motion]
driver = "gcode"
port = "{ports}/crawler"
baud = 115200
arm_allowed = {arm_allowed}
[motion.protocol]
arm = ["G21", "G90", "M17"]
disarm = ["M18"]
query = "?"
query_is_line = false
stop = "!"
timeout_s = {timeout}
homing_timeout_s = 5
answers = {{ homed = "homed (?:(?P<scan>X)|(?P<index>Y))" }}
[motion.protocol.axes.scan]
word = "X"
min_mm = -62
max_mm = 462
speed_mm_per_s = 120
acceleration_mm_per_s2 = 400
[motion.protocol.axes.index]
word = "Y"
min_mm = -5
max_mm = 90
speed_mm_per_s = 40
acceleration_mm_per_s2 = 200
[motion.plan]
speed = "auto"
reading_rate = 60
[motion.retry]
{retry}
[motion.guard]
disagreement = "4 mm"
{guard}
"""


def crawl_station(
    ports: Path,
    *,
    speed: float = 1.0,
    target: float = 100.0,
    index_length: float = 80.0,
    zero_count: float = 0.0,
    timeout: float = 1.0,
    arm_allowed: bool = True,
    retry: str = "",
    guard: str = "",
    rest: str = "",
) -> str:
    """Return the station file of the scenario `crawler`, served at `speed` in the folder `ports`."""
    values = {
        "ports": ports,
        "target": target,
        "index_length": index_length,
        "zero_count": zero_count,
        "timeout": timeout,
        "arm_allowed": str(arm_allowed).lower(),
        "retry": retry,
        "guard": guard,
        "encoder_baud": round(115_200 * speed),
        "gauge_baud": round(57_600 * speed),
        "encoder_delay": 2000 / speed,
        "gauge_delay": 9000 / speed,
    }
    return (_PLAN + _ENCODER + _GAUGE + _MOTION).format(**values) + rest


def crawler_scenario(*, coupling: bool = True, mishap: dict[str, float] | None = None) -> Scenario:
    """Return the scenario `crawler`, with other mishaps than its own.

    Args:
        coupling: whether the coupling is lost at one place until it is gone back to.
        mishap: chances of each, or the move in which it restarts; none if it is None.
    """
    scenario = load_scenario(builtin_scenario("crawler"))
    data: dict[str, Any] = scenario.model_dump(mode="json")
    data["motion"]["mishap"] = mishap or {}
    if not coupling:
        data["fault"] = []
    return Scenario.model_validate(data)


@dataclass
class CrawlRun:
    """How a run of the crawler went.

    Attributes:
        outcome: how the daemon's run ended.
        words: what the crawler told.
    """

    outcome: RunOutcome
    words: list[str] = field(default_factory=list)


async def drive_crawler(
    station_path: Path,
    *,
    seconds: float,
    meanwhile: Callable[[Daemon], Any] | None = None,
) -> CrawlRun:
    """Run the daemon on a station file within this process, armed; its end is awaited.

    Args:
        station_path: the station file.
        seconds: a run that takes longer is ended.
        meanwhile: a coroutine function that is given the daemon while it runs.
    """
    station, text = read_station(station_path)
    words: list[str] = []
    daemon = Daemon(
        station,
        text,
        SurveyFolder(survey_folder(station, station_path)),
        armed=True,
        on_crawl=words.append,
    )
    loop = asyncio.get_running_loop()
    limit = loop.call_later(seconds, daemon.stop, f"not done after {seconds:g} s")
    other = None if meanwhile is None else loop.create_task(meanwhile(daemon))
    try:
        outcome = await daemon.run()
    finally:
        limit.cancel()
        if other is not None:
            other.cancel()
    if other is not None and other.done() and not other.cancelled():
        other.result()
    return CrawlRun(outcome, words)


def crawler_of(world: World) -> Crawler:
    """Return the crawler of a world."""
    assert world.crawler is not None
    return world.crawler


def marks(survey: Path, kind: MarkKind) -> list[Mark]:
    """Return the marks of one kind in a survey's journal."""
    entries = read_journal(survey / "journal")
    return [entry for entry in entries if isinstance(entry, Mark) and entry.kind is kind]


def moved(world: World) -> float:
    """Return how far the crawler has truly gone along scan, mm."""
    rows = world.truth.rows("encoder")
    return float(np.abs(np.diff(rows["scan_mm"])).sum())


def moved_by(daemon: Daemon) -> float:
    """Return where the machine says it is on its way along scan, mm; -inf while it is not."""
    crawl = daemon.crawl
    if crawl is None or crawl.report is None or not crawl.machine.may_move:
        return -np.inf
    return crawl.report.place[0]


async def until(condition: Callable[[], bool]) -> None:
    """Wait for what other threads bring about; the run is ended by its own limit."""
    while not condition():  # noqa: ASYNC110
        await asyncio.sleep(0.01)
