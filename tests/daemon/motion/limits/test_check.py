"""The check before every move: what it lets pass and what it says when it does not."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from daemon.motion_model import area, areas, distance_to_zone, walk
from swathe.errors import SwatheError
from swathe.motion import (
    AxisLimits,
    KeepOutZone,
    MotionError,
    Move,
    MoveKind,
    Twist,
    WorkArea,
    Zones,
    check_move,
    check_moves,
)
from swathe.motion.limits.moves import move_time, ramp_length, ramp_time
from swathe.motion.raster.route import is_free, route
from swathe.station import parse_station

PLATE = area(zones=(KeepOutZone("manhole", (400, 600), (20, 70)),), clearance=5)
PIPE = area(wrapped=True, turns=1.5, zones=(KeepOutZone("support", (400, 600), (300, 400)),))
GOOD = Move(MoveKind.SCAN, (0.0, 0.0), (300.0, 0.0), 200.0, 400.0, 0)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"end": (1200.0, 0.0)}, "scan 1,200.0 mm, index 0.0 mm: scan must stay within -100.0 mm"),
        ({"end": (0.0, -30.0)}, "index must stay within -20.0 mm to 120.0 mm: shorten the plan"),
        ({"speed": 201.0}, "scan speed must be at most 200 mm/s (got 201)"),
        ({"end": (0.0, 10.0)}, "index speed must be at most 50 mm/s (got 200)"),
        ({"acceleration": 500.0}, "scan acceleration must be at most 400 mm/s² (got 500)"),
        ({"speed": 0.0}, "speed and acceleration must be > 0"),
        ({"speed": math.nan}, "must have finite numbers"),
        ({"start": (300.0, 40.0), "end": (500.0, 40.0)}, "5 mm clear of excluded zone 'manhole'"),
        ({"start": (700.0, 74.9), "end": (604.9, 74.9)}, "go round it, or end short of it"),
    ],
)
def test_forbidden_move_is_refused_with_place_and_mend(
    change: dict[str, object], text: str
) -> None:
    """Each limit has its own words."""
    move = replace(GOOD, **change)  # type: ignore[arg-type]
    with pytest.raises(MotionError) as caught:
        check_move(move, PLATE.limits, PLATE.zones)
    assert text in str(caught.value)
    assert caught.value.remedy
    assert isinstance(caught.value, SwatheError)


@pytest.mark.parametrize(("axis", "low", "high"), [(0, -100.0, 1100.0), (1, -20.0, 120.0)])
@pytest.mark.parametrize("is_start", [False, True])
def test_travel_ends_at_its_limits(axis: int, low: float, high: float, is_start: bool) -> None:
    """Both ends of the travel may be reached, by start and end of a move; 0.01 mm beyond not."""
    inside = (0.0, 0.0)
    for limit, beyond in ((low, -0.01), (high, 0.01)):
        for off in (0.0, beyond, 100 * beyond):
            place = (limit + off, 0.0) if axis == 0 else (0.0, limit + off)
            start, end = (place, inside) if is_start else (inside, place)
            move = replace(GOOD, start=start, end=end, speed=10.0, acceleration=10.0)
            if off == 0.0:
                check_move(move, PLATE.limits, PLATE.zones)
            else:
                with pytest.raises(MotionError, match="must stay within"):
                    check_move(move, PLATE.limits, PLATE.zones)


def test_move_beside_a_zone_is_let_pass() -> None:
    """Just outside the clearance is outside; a move of no length is none."""
    for start, end in (((300.0, 75.1), (700.0, 75.1)), ((605.1, 0.0), (605.1, 20.0))):
        move = replace(GOOD, start=start, end=end, speed=50.0, acceleration=100.0)
        check_move(move, PLATE.limits, PLATE.zones)
    check_move(replace(GOOD, end=GOOD.start), PLATE.limits, PLATE.zones)


def test_slanting_move_is_judged_by_its_box() -> None:
    """Axes told to move at once need not keep to a line: a corner of the box in a zone is one."""
    speed, acceleration = PLATE.limits.path((300.0, 0.0), (610.0, 80.0))
    move = Move(MoveKind.TRANSFER, (300.0, 0.0), (610.0, 80.0), speed, acceleration, 0)
    with pytest.raises(MotionError, match="move one axis at a time round it"):
        check_move(move, PLATE.limits, PLATE.zones)


def test_zone_of_a_pipe_is_met_at_every_turn() -> None:
    """A support at 300 to 400 mm of 360 mm is there at -60 to 40 mm too, and a turn further on."""
    for at, free in ((0.0, False), (45.0, True), (295.0, True), (300.0, False), (390.0, False)):
        for turn in (-360.0, 0.0):
            move = replace(GOOD, start=(390.0, at + turn), end=(410.0, at + turn))
            if free:
                check_move(move, PIPE.limits, PIPE.zones, PIPE.twist)
            else:
                with pytest.raises(MotionError, match="'support'"):
                    check_move(move, PIPE.limits, PIPE.zones, PIPE.twist)


def test_twist_is_a_limit() -> None:
    """One and a half turns of 360 mm to either side, and not further."""
    assert PIPE.twist is not None
    assert PIPE.twist.extent == (-540.0, 540.0)
    assert PIPE.twist.turns_at(-180.0) == -0.5
    move = Move(MoveKind.TRANSFER, (0.0, 500.0), (0.0, 541.0), 50.0, 100.0, 0)
    with pytest.raises(MotionError, match=r"within ±1.5 turns \(would be \+1.50\): return"):
        check_move(move, PIPE.limits, PIPE.zones, PIPE.twist)
    check_move(replace(move, end=(0.0, 540.0)), PIPE.limits, PIPE.zones, PIPE.twist)


def test_jump_between_moves_is_refused() -> None:
    """A move starts where the probe is."""
    with pytest.raises(MotionError, match=r"must start where the probe is, scan 300.0 mm"):
        check_moves([GOOD, GOOD], PLATE.limits, PLATE.zones)
    with pytest.raises(MotionError, match=r"must start where the probe is, scan 1.0 mm"):
        check_moves([GOOD], PLATE.limits, PLATE.zones, begin=(1.0, 0.0))


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Twist.of(area().index, turns=1), "must be a circumference"),
        (lambda: Twist.of(area(wrapped=True).index, turns=0), "must be > 0"),
        (lambda: AxisLimits(speed=0, acceleration=1), "limit of speed must be > 0"),
        (lambda: AxisLimits(low=1, high=1, speed=1, acceleration=1), "from lower to higher"),
        (lambda: area(clearance=-1), "clearance must be >= 0"),
        (lambda: area(zones=(KeepOutZone("z", (2, 1)),)), "zone 'z' must run from lower to higher"),
    ],
)
def test_impossible_limits_are_refused(make: object, text: str) -> None:
    """Limits that cannot be are told when they are made, not when something moves."""
    assert callable(make)
    with pytest.raises(MotionError, match=text):
        make()


def test_zones_of_a_station_are_taken() -> None:
    """The obstructions of the station file are the zones of the plan."""
    station = parse_station(
        """
        name = "penstock-3"
        survey.folder = "survey"
        scan = { length = "1 m", resolution = "1 mm", device = "gauge" }
        index = { length = "100 mm", resolution = "1 cm", device = "gauge" }
        exclude = [{ name = "manhole", scan = ["400 mm", "600 mm"] }]
        [device.gauge]
        port = "socket://gauge:1"
        protocol.columns = [
          { is = "position", axis = "scan", unit = "mm" },
          { is = "position", axis = "index", unit = "mm" },
          { is = "thickness", unit = "mm" },
        ]
        """,
        "test",
    )
    zones = Zones.of(station, clearance=2)
    assert zones.zones == (KeepOutZone("manhole", (400.0, 600.0), None),)
    assert zones.free(0, 50.0, (0.0, 1000.0)) == [(0.0, 397.999), (602.001, 1000.0)]


@settings(max_examples=60)
@given(distance=st.floats(1e-3, 1e5), speed=st.floats(0.1, 1e3), acceleration=st.floats(1, 1e4))
def test_closed_form_agrees_with_small_steps(
    distance: float, speed: float, acceleration: float
) -> None:
    """The time of a move is that of gaining speed for half of it and keeping to the limit."""
    # Speed at x is the least of the limit and what both ends allow, v² = 2 a x: integrate dx / v
    # with x = s², which takes the singular ends away.
    half = distance / 2
    steps = 4000
    seconds = 0.0
    for k in range(steps):
        s = (k + 0.5) / steps * math.sqrt(half)
        seconds += 2 * s / min(speed, math.sqrt(2 * acceleration * s * s))
    seconds *= 2 * math.sqrt(half) / steps
    assert move_time(distance, speed, acceleration) == pytest.approx(seconds, rel=2e-3)


def test_ramp_is_that_of_uniform_acceleration() -> None:
    """200 mm/s at 400 mm/s²: half a second, 50 mm."""
    assert (ramp_length(200, 400), ramp_time(200, 400)) == (50.0, 0.5)
    assert move_time(100, 200, 400) == 1.0  # never steady, and all of it ramps
    assert move_time(0, 200, 400) == 0.0


@settings(max_examples=50)
@given(over=areas(), data=st.data())
def test_way_round_zones_is_free(over: WorkArea, data: st.DataObject) -> None:
    """Every leg keeps out of every zone and within the travel, and the last one ends there."""
    reach = over.reach

    def place() -> tuple[float, float]:
        low, high = reach.scan.low, reach.scan.high
        x = data.draw(st.floats(low, high))
        low, high = max(reach.index.low, -500.0), min(reach.index.high, 500.0)
        return x, data.draw(st.floats(low, high))

    start, end = place(), place()
    assume(is_free(over.zones, start, start) and is_free(over.zones, end, end))
    places = route(start, end, zones=over.zones, limits=reach, together=over.together)
    if places is None:
        assert over.zones.zones, "nothing is in the way"
        return
    at = start
    for to in places:
        speed, acceleration = over.limits.path(at, to)
        move = Move(MoveKind.TRANSFER, at, to, speed, acceleration, 0)
        check_move(move, over.limits, over.zones, over.twist)
        for spot in walk(move):
            for zone in over.zones.zones:
                assert distance_to_zone(over, zone, *spot) >= over.zones.clearance - 1e-9
        at = to
    assert at == pytest.approx(end, abs=1e-6)


def test_two_zones_that_touch_leave_no_seam() -> None:
    """An obstacle told in two rectangles is not driven through along their common border."""
    zones = (
        KeepOutZone("left", (400, 500), (-50, 90)),
        KeepOutZone("right", (500, 600), (-50, 90)),
    )
    over = area(zones=zones)
    assert not is_free(over.zones, (500.0, 100.0), (500.0, -10.0))
    places = route((390.0, 0.0), (610.0, 0.0), zones=over.zones, limits=over.limits, together=False)
    assert places is not None
    assert max(y for _, y in places) == pytest.approx(90.001)


@pytest.mark.parametrize("key", ["speed", "acceleration"])
@pytest.mark.parametrize("value", [0.0, -1.0])
def test_move_that_never_gets_anywhere_is_refused(key: str, value: float) -> None:
    """Neither a speed nor an acceleration of zero or below is one."""
    with pytest.raises(MotionError, match="speed and acceleration must be > 0"):
        check_move(replace(GOOD, **{key: value}), PLATE.limits, PLATE.zones)  # type: ignore[arg-type]


def test_slow_move_is_let_pass() -> None:
    """A tenth of a mm/s, gained at a tenth of a mm/s², is a move like any other."""
    check_move(replace(GOOD, speed=0.1, acceleration=0.1), PLATE.limits, PLATE.zones)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("key", ["speed", "acceleration", "start", "end"])
def test_move_of_what_is_no_number_is_refused(key: str, bad: float) -> None:
    """Each number of a move must be finite, both coordinates of its ends included."""
    values: list[object] = [bad] if key in ("speed", "acceleration") else [(bad, 0.0), (0.0, bad)]
    for value in values:
        move = replace(GOOD, **{key: value})  # type: ignore[arg-type]
        with pytest.raises(MotionError, match="a move must have finite numbers"):
            check_move(move, PIPE.limits, PIPE.zones)


def test_limits_are_crossed_by_more_than_rounding_only() -> None:
    """A millionth of a mm and a billionth of a rate are rounding; two of them are beyond."""
    for end, passes in (((1100.0000009, 0.0), True), ((1100.0000021, 0.0), False)):
        _passes(replace(GOOD, start=(900.0, 0.0), end=end), passes, "scan must stay within")
    for speed, passes in ((200 * (1 + 0.9e-9), True), (200 * (1 + 2e-9), False)):
        _passes(replace(GOOD, speed=speed), passes, "scan speed must be at most 200 mm/s")
    for rate, passes in ((400 * (1 + 0.9e-9), True), (400 * (1 + 2e-9), False)):
        _passes(replace(GOOD, acceleration=rate), passes, "scan acceleration must be at most 400")


def _passes(move: Move, passes: bool, text: str) -> None:
    if passes:
        check_move(move, PLATE.limits, PLATE.zones)
    else:
        with pytest.raises(MotionError, match=text):
            check_move(move, PLATE.limits, PLATE.zones)


@pytest.mark.parametrize("side", [-1, 1])
def test_twist_is_crossed_by_more_than_rounding_only(side: int) -> None:
    """A turn and a half of 360 mm to either side, at the start of a move as at its end."""
    inside, rounding, beyond = (side * at for at in (500.0, 540.0000009, 540.0000021))
    move = Move(MoveKind.TRANSFER, (0.0, inside), (0.0, rounding), 50.0, 100.0, 0)
    check_move(move, PIPE.limits, PIPE.zones, PIPE.twist)
    for ends in (((0.0, inside), (0.0, beyond)), ((0.0, beyond), (0.0, inside))):
        with pytest.raises(MotionError, match=r"the cable must stay within ±1\.5 turns"):
            check_move(
                replace(move, start=ends[0], end=ends[1]), PIPE.limits, PIPE.zones, PIPE.twist
            )
    check_move(replace(move, end=(0.0, beyond)), PIPE.limits, PIPE.zones)


def test_rate_of_a_slanting_move_is_shared_by_way() -> None:
    """3 to 4: at 62.5 mm/s the index axis runs at its 50 mm/s, at 125 mm/s² at its 100 mm/s²."""
    assert PLATE.limits.path((0.0, 0.0), (30.0, -40.0)) == pytest.approx((62.5, 125.0))
    move = Move(MoveKind.TRANSFER, (0.0, 0.0), (30.0, 40.0), 62.5, 125.0, 0)
    clear = area()
    check_move(move, clear.limits, clear.zones)
    for faster, text in (
        (replace(move, speed=63.75), r"index speed must be at most 50 mm/s \(got 51\)"),
        (
            replace(move, acceleration=127.5),
            r"index acceleration must be at most 100 mm/s² \(got 1",
        ),
    ):
        with pytest.raises(MotionError, match=text):
            check_move(faster, clear.limits, clear.zones)


def test_rate_along_one_axis_and_along_none() -> None:
    """An axis that rests limits nothing; where nothing moves the lower limits are returned."""
    assert PLATE.limits.path((0.0, 0.0), (-30.0, 0.0)) == pytest.approx((200.0, 400.0))
    assert PLATE.limits.path((0.0, 5.0), (0.0, 0.0)) == pytest.approx((50.0, 100.0))
    assert PLATE.limits.path((7.0, 5.0), (7.0, 5.0)) == (50.0, 100.0)
    assert PLATE.limits.path((0.0, 0.0), (0.9e-6, 0.0)) == (50.0, 100.0)
    assert PLATE.limits.path((0.0, 0.0), (1.1e-6, 0.0)) == pytest.approx((200.0, 400.0))


def test_moves_that_follow_each_other_are_let_pass() -> None:
    """No move, one, and two that meet within a millionth of a mm."""
    check_moves([], PLATE.limits, PLATE.zones, begin=(1.0, 0.0))
    check_moves([GOOD], PLATE.limits, PLATE.zones, begin=(0.0, 0.0))
    back = replace(GOOD, start=(300.0000009, 0.0), end=(0.0, 0.0))
    check_moves([GOOD, back], PLATE.limits, PLATE.zones)
    with pytest.raises(MotionError, match=r"must start where the probe is, scan 300\.0 mm"):
        check_moves([GOOD, replace(back, start=(300.0000021, 0.0))], PLATE.limits, PLATE.zones)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"speed": -1.0}, "a limit of speed must be > 0 (got -1.0)"),
        ({"speed": math.inf}, "a limit of speed must be > 0 (got inf)"),
        ({"speed": math.nan}, "a limit of speed must be > 0 (got nan)"),
        ({"acceleration": 0.0}, "a limit of acceleration must be > 0 (got 0.0)"),
        ({"acceleration": math.inf}, "a limit of acceleration must be > 0 (got inf)"),
        ({"low": 2.0, "high": 1.0}, "a travel must run from lower to higher (got 2 to 1, in mm)"),
        ({"low": math.nan}, "a travel must run from lower to higher (got nan to inf, in mm)"),
    ],
)
def test_axis_limits_that_cannot_be_are_refused(change: dict[str, float], text: str) -> None:
    """Each limit is named with what it got; without ends the travel is unlimited."""
    good = AxisLimits(speed=0.5, acceleration=0.5)
    assert (good.low, good.high) == (-math.inf, math.inf)
    with pytest.raises(MotionError) as caught:
        replace(good, **change)
    assert text in str(caught.value)
    for field in ("low", "speed"):
        with pytest.raises(FrozenInstanceError):
            setattr(good, field, 1.0)


def test_limits_with_a_twist_are_the_narrower_of_the_two() -> None:
    """The travel of the axis that goes round is cut to the cable's, the other is left."""
    limits = PIPE.limits
    assert limits.with_twist(None) is limits
    cut = limits.with_twist(PIPE.twist)
    assert (cut.index.low, cut.index.high) == (-540.0, 540.0)
    assert (cut.index.speed, cut.scan) == (50, limits.scan)
    assert cut.axes == (cut.scan, cut.index)
    narrow = replace(limits, index=replace(limits.index, low=-100.0, high=600.0))
    cut = narrow.with_twist(PIPE.twist)
    assert (cut.index.low, cut.index.high) == (-100.0, 540.0)
    other = Twist(axis="scan", circumference=100.0, free_at=50.0, turns=2.0)
    cut = limits.with_twist(other)
    assert (cut.scan.low, cut.scan.high, cut.index) == (-100, 250.0, limits.index)
