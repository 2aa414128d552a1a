"""When many readings have no place on the plan, an alarm is raised, at whole seconds."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.handmade import MS, Motion, port, run, station_text, ticks
from swathe.arrays import Floats
from swathe.journal import Chunk
from swathe.pipeline.placing.placed_share import PlacedShare
from swathe.station import AlarmKind

S = 1_000_000_000
Times = NDArray[np.int64]


def times(begin: float, end: float, hz: float) -> Times:
    """Return regular times from one second to another, ns."""
    return (np.arange(begin, end, 1 / hz) * S).astype(np.int64)


def changes(share: PlacedShare, *until: float) -> list[tuple[float, bool]]:
    """Return the seconds at which the condition changes."""
    found = [change for second in until for change in share.follow(round(second * S))]
    assert all(bool(change.detail) is change.holds for change in found)
    return [(change.known / S, change.holds) for change in found]


def along(known: Times, cells_per_s: float = 3.0) -> Floats:
    """Return positions of a probe that moves along the scan axis, in cells."""
    return np.column_stack((known / S * cells_per_s, np.zeros(known.shape)))


@pytest.mark.parametrize(("hz", "raised"), [(2.4, False), (2.6, True)])
def test_more_than_a_fifth_without_a_position_raise_it(hz: float, raised: bool) -> None:
    """10 readings a second are placed; at 2.5 more without a position these are a fifth of all."""
    share = PlacedShare()
    known = times(0, 30, 10)
    share.add(known, np.ones(known.shape, bool), along(known))
    share.add_unplaced(times(0, 30, hz))
    assert bool(changes(share, 30)) is raised


def test_twenty_at_least() -> None:
    """Nineteen of nineteen are no share, twenty are."""
    for count, expected in ((19, []), (20, [(10.0, True)])):
        share = PlacedShare()
        share.add_unplaced(np.linspace(9.1 * S, 9.9 * S, count).astype(np.int64)[::-1])
        assert changes(share, 12, 18) == expected


def test_all_outside_the_plan_raise_it_and_one_on_it_ends_it() -> None:
    """A run-out of a pass is none: others are on the plan meanwhile."""
    share = PlacedShare()
    known = times(0, 20, 10)
    share.add(known, known < 6 * S, along(known))
    assert changes(share, 20) == [(16.0, True)]
    share.add(np.array([20.5 * S], np.int64), np.array([True]), np.zeros((1, 2)))
    assert changes(share, 22) == [(21.0, False)]


@pytest.mark.parametrize(
    ("seconds", "raised"), [(8.0, []), (12.0, [(110.0, True), (113.0, False)])]
)
def test_way_to_the_plan_after_a_pause_raises_nothing(
    seconds: float, raised: list[tuple[float, bool]]
) -> None:
    """Readings of a pause are not added: less than the whole span says nothing of the plan."""
    share = PlacedShare()
    known = times(100.05, 130, 20)
    share.add(known, known >= (100 + seconds) * S, along(known))
    assert changes(share, 130) == raised


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize(("cells", "raised"), [(1.9, []), (2.1, [(130.0, True)])])
def test_probe_that_waits_outside_the_plan_raises_nothing(
    axis: int, cells: float, raised: list[tuple[float, bool]]
) -> None:
    """A crawler before its start, or a probe in its holder, shakes by a cell; then it goes off."""
    share = PlacedShare()
    known = times(100.05, 130, 20)
    places = np.zeros((known.size, 2))
    places[:, axis] = -50 - np.where(known > 129.4 * S, cells, 0.0)
    share.add(known, np.zeros(known.shape, bool), places)
    assert changes(share, 130) == raised
    known = times(130.05, 150, 20)  # once it is raised, a probe at rest outside ends nothing
    rest = np.zeros((known.size, 2))
    rest[:, axis] = -50 - cells
    share.add(known, np.zeros(known.shape, bool), rest)
    assert changes(share, 150) == []


def test_readings_in_bursts_raise_it_once() -> None:
    """Every three seconds 30 of them: in some spans none is in the oldest second."""
    share = PlacedShare()
    for second in range(100, 160, 3):
        known = times(second + 0.1, second + 0.9, 40)
        share.add(known, np.zeros(known.shape, bool), along(known))
    assert [holds for _, holds in changes(share, 158)] == [True]


def test_devices_may_start_one_after_the_other() -> None:
    """Nothing is said of the first five seconds."""
    share = PlacedShare(3 * S)
    share.add_unplaced(times(3, 5, 20))
    known = times(5, 30, 20)
    share.add(known, np.ones(known.shape, bool), along(known))
    assert changes(share, 8, 8.5) == []
    assert changes(share, 9) == [(9.0, True)]  # 40 of 120 in the ten seconds before
    assert changes(share, 30) == [(13.0, False)]


def test_changes_do_not_depend_on_how_often_it_is_asked() -> None:
    """The same seconds, asked for each tick or once."""
    rng = np.random.default_rng(2)
    placed, lost = np.sort(rng.integers(0, 60 * S, 600)), np.sort(rng.integers(20 * S, 40 * S, 300))
    whole = PlacedShare()
    whole.add(placed, np.ones(placed.shape, bool), along(placed))
    whole.add_unplaced(lost)
    expected = changes(whole, 60)
    assert [holds for _, holds in expected] == [True, False]
    cut, found = PlacedShare(), []
    for end in range(0, 60 * S, 70 * MS):
        some = placed[(placed > end - 70 * MS) & (placed <= end)]
        cut.add(some, np.ones(some.shape, bool), along(some))
        cut.add_unplaced(lost[(lost > end - 70 * MS) & (lost <= end)])
        found += changes(cut, end / S)
    assert found == expected


def test_run_without_an_encoder_raises_it() -> None:
    """The gauge sends for 12 s, its encoder nothing: no reading has a position."""
    text = station_text()
    rest = Motion(lambda _: (5.0,), lambda _: 10.0, 0, 12_000).entries()
    silent = [entry for entry in rest if not (isinstance(entry, Chunk) and entry.port == "encoder")]
    opens = [port(0, "gauge", "open"), port(0, "encoder", "open")]
    pipeline = run(text, opens, silent, ticks(12_001, 12_500))
    kinds = [alarm.kind for alarm in pipeline.alarms.alarms]
    assert kinds.count(AlarmKind.UNPLACED) == 1
