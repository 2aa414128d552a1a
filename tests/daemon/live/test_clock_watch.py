"""A clock that was not set, or is set during a run, is an alarm: times are stated as unknown."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import cast

import pytest

from swathe.live.clock_watch import ClockWatch
from swathe.live.computer import ComputerWatch
from swathe.live.health import Health
from swathe.live.session import Session
from swathe.station import AlarmKind

S = 1_000_000_000
NOW = round(datetime(2026, 11, 27, 6, 0, tzinfo=UTC).timestamp()) * S


def test_clock_that_starts_in_1970_is_not_believed() -> None:
    """As on a small computer without a battery, before its time service answers."""
    text = ClockWatch(offset=0, began=12 * S).not_set()
    assert text.startswith("this computer's clock said 1970-01-01 00:00:12 UTC as the run began")
    assert "the times of this run are not known" in text
    assert ClockWatch(offset=0, began=NOW).not_set() == ""


def test_clock_behind_the_surveys_last_reading_is_not_believed() -> None:
    """A day back: no reading of the survey can be younger than the run."""
    watch = ClockWatch(offset=0, began=NOW)
    watch.newest = NOW + 86_400 * S
    text = watch.not_set()
    assert "but the survey has a reading of 2026-11-28 06:00:00 UTC" in text
    watch.newest = NOW - 1
    assert watch.not_set() == ""


@pytest.mark.parametrize(
    ("step", "words"),
    [(0, ""), (S - 1, ""), (-S + 1, ""), (90 * S, "+90.0 s"), (-86_400 * S, "-86,400.0 s")],
)
def test_step_of_the_clock_is_stated_with_its_size(step: int, words: str) -> None:
    """What a time service corrects gently is no step."""
    text = ClockWatch(offset=5 * S, began=NOW).stepped(5 * S + step)
    assert (words in text) if words else text == ""


def test_a_run_that_counts_on_states_from_where_and_what_to_add() -> None:
    """Its clock was a day behind the end of the run before, and is set during the run."""
    end, behind = NOW, NOW - 86_400 * S
    watch = ClockWatch(offset=0, began=behind, stated=end)
    watch.newest = end - S
    text = watch.not_set()
    assert "clock said 2026-11-26 06:00:00 UTC as the run began" in text
    assert "its times count on from 2026-11-27 06:00:00 UTC, the end of the run before" in text
    text = watch.stepped(86_400 * S + 60 * S)
    assert "the run began at 2026-11-27 06:01:00 UTC, not at 2026-11-27 06:00:00 UTC" in text
    assert text.endswith("add +60.0 s to every time of this run")


class StandIn:
    """A session whose disk is well."""

    resuming, continued, disk_trouble = "", False, ""
    clock_watch = ClockWatch(offset=NOW, began=NOW)

    def disk_alarms(self) -> dict[AlarmKind, str]:
        """Return no alarm."""
        return {}


def test_computer_watch_shows_a_step_and_its_end() -> None:
    """Set to the right time and back within a run: the alarm ends with its reason."""
    marks: list[tuple[str, bool]] = []
    wall = [NOW]
    health = Health(lambda _kind, **detail: marks.append((detail["about"], detail["holds"])))
    host = [0]
    watch = ComputerWatch(
        cast("Session", StandIn()), health, wall_clock=lambda: wall[0], clock=lambda: host[0]
    )
    for now, step in ((0, 0), (S, 0), (2 * S, 3600), (3 * S, 3600), (4 * S, 0)):
        host[0], wall[0] = now, NOW + now + step * S
        watch.show(now)
    assert marks == [("clock stepped", True), ("clock stepped", False)]


@pytest.mark.parametrize("held_up", ["before the clocks are read", "between them"])
def test_a_daemon_that_was_held_up_sees_no_step(held_up: str) -> None:
    """The clock is compared with the host's time of the same moment, or not at all."""
    marks: list[str] = []
    health = Health(lambda _kind, **detail: marks.append(detail["about"]))
    late = 5 * S
    times = iter([late, late] if held_up.startswith("before") else [S, S + late])
    watch = ComputerWatch(
        cast("Session", StandIn()),
        health,
        wall_clock=lambda: NOW + (late if held_up.startswith("before") else S + late),
        clock=lambda: next(times),
    )
    watch.show(S)
    assert "clock stepped" not in marks


def test_an_offset_learnt_later_gives_the_right_times() -> None:
    """A time service that answers after a start in 1970: the run's beginning by the clock as set."""
    step = NOW - 12 * S
    text = ClockWatch(offset=0, began=12 * S).stepped(step)
    assert "the run began at 2026-11-27 06:00:00 UTC, not at 1970-01-01 00:00:12 UTC" in text
    assert text.endswith(f"add {step / S:+,.1f} s to every time of this run")


def test_a_step_between_two_times_that_may_be_right_decides_nothing() -> None:
    """Nor does one to a time that cannot be right."""
    watch = ClockWatch(offset=5 * S, began=NOW)
    assert watch.stepped(95 * S).endswith("which of the two is right is not known from here")
    watch.newest = NOW - S
    back = watch.stepped(5 * S - 86_400 * S)
    assert (
        "which cannot be right either: but the survey has a reading of 2026-11-27 05:59:59" in back
    )
