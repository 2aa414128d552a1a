"""The table [motion] of a station file: what a good one gives, and what is said about a bad one."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.crawl import crawl_station
from swathe.errors import StationError
from swathe.motion import (
    pass_settings_of,
    plan_raster,
    raster_settings_of,
    retry_settings_of,
    work_area_of,
)
from swathe.station import parse_station

GOOD = crawl_station(
    Path("ports"), retry='tries = 4\ntime_budget = "2 h"', guard='heartbeat = "2 s"'
)


def problems(text: str) -> list[str]:
    """Return what is said about a bad station file, a line each."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    return [str(problem) for problem in caught.value.problems]


def test_good_table_gives_what_planning_needs() -> None:
    """Limits, speeds, budgets and guards come from the file in mm, s and ns."""
    station = parse_station(GOOD, "x")
    motion = station.motion
    assert motion is not None
    assert motion.arm_allowed
    assert motion.guard.disagreement == 4.0
    assert motion.guard.heartbeat == 2_000_000_000
    assert motion.guard.first_move == 10.0
    assert motion.plan.speed is None
    ground = work_area_of(station)
    assert (ground.limits.scan.low, ground.limits.index.high) == (-62.0, 90.0)
    assert retry_settings_of(station).time_budget == 7200.0
    assert retry_settings_of(station).most_tries == 4
    plan = plan_raster(ground, raster_settings_of(station))
    # 60 readings/s x 4 mm, a tenth held back, is more than the machine can do.
    assert plan.speed == 120.0
    assert len(plan.lines) == 11
    assert plan.left_out == ()
    assert pass_settings_of(station, speed=0.5).min_speed == 0.5


def test_motion_is_not_allowed_unless_said() -> None:
    """A table without arm_allowed allows nothing."""
    station = parse_station(GOOD.replace("arm_allowed = true", ""), "x")
    assert station.motion is not None
    assert not station.motion.arm_allowed


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'driver = "gcode"',
            'driver = "gcod"',
            "'motion.driver' there is no driver 'gcod'; known are: gcode, registers, text "
            "(got 'gcod')",
        ),
        (
            "baud = 115200\narm",
            "baud = 0\narm",
            "'motion.baud' must be >= 50 (got 0)",
        ),
        (
            'port = "ports/crawler"',
            'port = "capture:night.mcap"',
            "'motion.port' must be a port that can be written to (got 'capture:night.mcap'): "
            "a capture takes no commands: name the machine's port",
        ),
        (
            'stop = "!"',
            'stopp = "!"',
            "'motion.protocol.stopp' is not a known key (got '!'): did you mean 'stop'?",
        ),
        (
            'disagreement = "4 mm"',
            'disagreement = "-4 mm"',
            "'motion.guard.disagreement' must be > 0.0 (got '-4 mm')",
        ),
        (
            'disagreement = "4 mm"',
            'disagreement = "4 mm"\nfirst_move = "3 mm"',
            "'motion.guard.first_move' must be 5 to 100 mm, or 0 for none (got '3 mm')",
        ),
        (
            "reading_rate = 60",
            "",
            "'motion.plan' must have a reading_rate or a speed: reading_rate = 60 "
            '(readings/s, from the data sheet), or a speed such as "80 mm/s"',
        ),
        (
            'query = "?"',
            'query = ""',
            "'motion.protocol.query' is required: without it nobody knows when a "
            "position is reached, or that the wheels slip",
        ),
        (
            "[motion.protocol.axes.index]",
            "[motion.protocol.axes.turn]",
            "'motion.protocol.axes.index' is required (got 'scan, turn'): name the machine's axes "
            "after those of the plan",
        ),
        (
            "acceleration_mm_per_s2 = 400",
            "",
            "'motion.protocol.axes.scan.acceleration_mm_per_s2' is required: run-in and "
            "duration are reckoned with it: take it from the machine's settings",
        ),
        (
            "[motion.plan]",
            "[motion.plan]\ntwist_turns = 0.6",
            "'motion.plan.twist_turns' needs a wrapped axis (got 0.6): only a cable around a pipe "
            'is twisted: leave it out, or set mode = "wrapped"',
        ),
        (
            '[index]\nlength = "80.0 mm"',
            '[index]\nmode = "wrapped"\nlength = "80.0 mm"',
            "'motion.plan.twist_turns' is required where an axis goes round a pipe: "
            "half a turn to either side reaches all round: twist_turns = 0.6",
        ),
        (
            'stop = "!"',
            'stop = "!"\nhome = ""',
            "'motion.homing.axes' must name axes that the machine can home (got 'scan'): describe "
            "its homing command, or leave it out of motion.homing.axes",
        ),
    ],
)
def test_bad_table_is_told_with_key_value_and_mend(old: str, new: str, said: str) -> None:
    """Each mistake is told with its key, what must hold, what was found and the remedy."""
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert said in found, found


def test_device_with_the_machines_name_is_refused() -> None:
    """The journal tells the machine's bytes from a device's by the name of the port."""
    text = GOOD.replace("[device.gauge", "[device.motion")
    assert (
        "'device.motion' must not be called motion (got 'motion'): motion is the name of the "
        "machine's port in the journal"
    ) in problems(text)


def test_speed_given_needs_no_reading_rate() -> None:
    """With a speed given in the file it is the scan's, below the machine's limit."""
    station = parse_station(
        GOOD.replace('speed = "auto"\nreading_rate = 60', 'speed = "50 mm/s"'), "x"
    )
    assert plan_raster(work_area_of(station), raster_settings_of(station)).speed == 50.0


@pytest.mark.parametrize(
    ("places", "good"),
    [
        ('["station"]', True),
        ('["station", "page", "mqtt"]', True),
        ('["page"]', False),
        ('["station", "page", "page"]', False),
        ('["station", "radio"]', False),
    ],
)
def test_station_itself_always_lets_a_crawler_continue(places: str, good: bool) -> None:
    """Others in addition, each once, and only those that there are."""
    text = GOOD.replace("arm_allowed = true", f"arm_allowed = true\nresume_from = {places}")
    assert text != GOOD
    if good:
        motion = parse_station(text, "x").motion
        assert motion is not None
        assert list(motion.resume_from) == places.strip('[]"').split('", "')
    else:
        assert "resume_from" in "".join(problems(text))
    motion = parse_station(GOOD, "x").motion
    assert motion is not None
    assert list(motion.resume_from) == ["station"]
