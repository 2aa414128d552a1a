"""The commanded crawler at its port."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulators.crawler.driver import Hand
from swathe_simulators import ScenarioError, World, builtin_scenario, load_scenario
from swathe_simulators.crawler.machine import Crawler

Play = Callable[..., tuple[World, Crawler, Hand]]


def wait_for(condition: Callable[[], bool], seconds: float = 20) -> None:
    """Wait until a condition holds."""
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit, "waited in vain"
        time.sleep(0.005)


def at_rest(world: World, crawler: Crawler) -> tuple[float, float]:
    """Where the crawler truly is, once it rests."""
    wait_for(lambda: world.at_rest)
    end = crawler.trajectory.at([crawler.trajectory.end_s])
    return float(end.scan[0]), float(end.index[0])


def test_moves_are_acknowledged_and_made(play: Play) -> None:
    """It goes where it is told at the speed it is told; encoder lines tell of the same way."""
    world, crawler, hand = play()
    hand.ask("M17")
    hand.ask("G21 G90")
    hand.ask("G1 X100 F3000")
    hand.ask("N7 G1 Y8 F1200", "ok N7")
    assert hand.rest() == (100.0, 8.0, "idle")
    assert at_rest(world, crawler) == pytest.approx((100.0, 8.0))
    wait_for(lambda: world.truth.rows("encoder")["scan_mm"][-1] > 99.9)
    rows = world.truth.rows("encoder")
    moved = rows[rows["scan_mm"] > 0]
    speeds = np.diff(moved["scan_mm"]) / np.diff(moved["world_time_s"])
    assert np.median(speeds) == pytest.approx(50.0, rel=0.02)
    assert set(rows["line"]) == {-1, 0}
    assert crawler.log.violations == []
    assert not world.finished, "nobody knows whether more will be asked for"


def test_drives_must_be_on(play: Play) -> None:
    """A move before M17 or after M18 is refused and not made."""
    world, crawler, hand = play()
    assert "M17" in hand.ask("G1 X10 F600", "error")[-1]
    hand.ask("M17")
    hand.ask("M18")
    hand.ask("N3 G1 X10 F600", "error: the drives are off (M17) in N3")
    assert at_rest(world, crawler) == (0.0, 0.0)
    assert len(crawler.log.all("refused")) == 2


def test_buffer_delays_the_acknowledgement(play: Play) -> None:
    """With no buffer a move is acknowledged when it is over; with two, the third waits."""
    _, _, hand = play(buffer=0, speed=1.0)
    hand.ask("M17")
    begun = time.monotonic()
    hand.ask("G1 X50 F6000")
    assert time.monotonic() - begun > 0.5  # 50 mm at 100 mm/s, and the ramps
    assert hand.place()[2] == "idle"


def test_stop_brakes_at_once_and_latches(play: Play) -> None:
    """The stop acts in the middle of a line, forgets what was planned, and holds until M17."""
    world, crawler, hand = play(speed=1.0)
    hand.ask("M17")
    hand.ask("G1 X100 F6000")
    hand.send("G1 X0\nG1 X50")
    wait_for(lambda: hand.place()[0] > 20)
    hand.send("!")
    place = hand.rest()
    assert place[2] == "idle stopped"
    stop, rest = crawler.log.all("stop", "rest")
    # v²/2a = 5 mm, and what is driven until the stop acts: 20 ms ahead, on a noisy machine.
    assert 4.0 < rest.scan_mm - stop.scan_mm < 40.0
    assert rest.world_time_s - stop.world_time_s < 0.5
    hand.ask("G1 X10 F600", "error: stopped")
    assert [h.kind for h in crawler.log.all("asked_after_stop")] == ["asked_after_stop"]
    assert crawler.log.violations == []
    hand.ask("M17")
    hand.ask("G1 X10 F6000")
    assert hand.rest()[0] == 10.0
    assert at_rest(world, crawler)[0] == pytest.approx(10.0)
    assert crawler.log.violations == []


def test_stop_that_does_not_latch_shows_who_moves_on(play: Play) -> None:
    """A machine that goes on with the next move tells on the one who sent it."""
    _, crawler, hand = play(stop_latches=False)
    hand.ask("M17")
    hand.ask("G1 X100 F6000")
    hand.send("!")
    hand.ask("G1 X50 F6000")
    assert [h.kind for h in crawler.log.violations] == ["moved_after_stop"]
    hand.ask("M17")
    hand.ask("G1 X60 F6000")
    assert len(crawler.log.violations) == 1


def test_travel_limit_crossed_is_a_crash(play: Play) -> None:
    """It halts where the rails end, says so, drops the rest, and is recorded as harm."""
    world, crawler, hand = play()
    hand.ask("M17")
    hand.ask("G1 X110 Y10 F6000")
    hand.ask("G1 X200 Y10")
    hand.ask("G1 X0")
    alarm = hand.hear("alarm")[-1]
    assert alarm == "alarm: end of travel at X120.0 Y10.0 mm"
    assert hand.rest() == (120.0, 10.0, "idle alarm")
    assert at_rest(world, crawler) == pytest.approx((120.0, 10.0))
    (crossed,) = crawler.log.all("crossed")
    assert (crossed.scan_mm, crossed.index_mm) == pytest.approx((120.0, 10.0))
    hand.ask("G1 X0 F600", "error: alarm")
    hand.ask("M17")
    hand.ask("G1 X0 F6000")
    assert hand.rest()[0] == 0.0
    # Outward from the very end is a crash at once.
    hand.ask("G1 X120 F6000")
    hand.ask("G1 X121 F6000")
    hand.hear("alarm")
    assert len(crawler.log.violations) == 2


def test_braking_into_the_end_of_travel_is_a_crash_too(play: Play) -> None:
    """A stop that comes too late for the rails does not hide that."""
    _, crawler, hand = play(speed=1.0, stop_deceleration_mm_per_s2=100)
    hand.ask("M17")
    hand.ask("G1 X119 F6000")
    wait_for(lambda: hand.place()[0] > 80)
    hand.send("!")
    hand.hear("alarm: end of travel")
    assert len(crawler.log.all("crossed")) == 1


def test_zone_entered_is_recorded_and_not_prevented(play: Play) -> None:
    """A corner that a straight way cuts counts; going past it does not."""
    _, crawler, hand = play(zones=[{"scan_mm": [40, 60], "index_mm": [10, 20]}])
    hand.ask("M17")
    hand.ask("G1 X50 Y8 F6000")
    hand.rest()
    assert crawler.log.violations == []
    hand.ask("G1 X70 Y14 F6000")
    hand.rest()
    wait_for(lambda: len(crawler.log.violations) > 0)
    (entered,) = crawler.log.violations
    assert entered.kind == "entered"
    assert entered.text == "40..60 x 10..20 mm"


def test_homing_finds_the_switches_and_sets_the_motors_right(play: Play) -> None:
    """After slip the motors are wrong; homing puts them right; moves before it are refused."""
    world, crawler, hand = play(needs_homing=True, mishap={"slip": 1.0, "slip_share": 0.5})
    hand.ask("M17")
    hand.ask("G1 X10 F600", "error: not homed")
    assert "homed X" in hand.ask("G28 X0")
    listened = hand.ask("G28")
    assert [line for line in listened if line.startswith("homed")] == ["homed X", "homed Y"]
    assert listened[0] == "busy: homing"
    hand.ask("G1 X90 F6000")
    assert hand.rest()[0] == 90.0
    assert at_rest(world, crawler)[0] == pytest.approx(40.0)
    hand.ask("G28 X0")
    assert hand.place()[0] == -10.0
    assert at_rest(world, crawler)[0] == pytest.approx(-10.0)
    assert len(crawler.log.all("slipped")) == 1


def test_stop_ends_homing(play: Play) -> None:
    """Homing is a move like others: a stop ends it, and it does not count as homed."""
    _, crawler, hand = play(speed=1.0, homing_speed_mm_per_s=5)
    hand.ask("M17")
    hand.send("G28 X0\n")
    hand.hear("busy")
    hand.send("!")
    wait_for(lambda: hand.place()[2] == "idle stopped")
    assert crawler.log.all("homed") == []


def test_stall_parts_motors_from_the_truth(play: Play) -> None:
    """The motors believe to have arrived; the crawler is stuck on its way."""
    world, crawler, hand = play(mishap={"stall": 1.0})
    hand.ask("M17")
    hand.ask("G1 X100 F6000")
    assert hand.rest()[0] == 100.0
    assert 0.0 <= at_rest(world, crawler)[0] < 100.0
    assert len(crawler.log.all("stalled")) == 1


def test_lost_acknowledgements_and_garbage_are_seeded(play: Play) -> None:
    """What is lost is recorded; lines behind garbage on a line of its own stay readable."""
    _, crawler, hand = play(mishap={"lost_acknowledgement": 0.5, "garbage": 0.5}, seed=9)
    for _ in range(40):
        hand.send("M17\n")

    def outcomes() -> tuple[int, int]:
        hand.listen()
        lost = len(crawler.log.all("acknowledgement_lost"))
        return lost, sum(line.endswith("ok") for line in hand.lines)

    wait_for(lambda: sum(outcomes()) >= 40)
    time.sleep(0.1)
    lost, whole = outcomes()
    assert whole == 40 - lost
    assert lost > 5
    assert len(crawler.log.all("garbage")) > 3
    assert any(line != "ok" for line in hand.lines)


def test_hang_up_halts_the_crawler(play: Play) -> None:
    """When nobody listens any more it brakes, and a new listener finds it at rest."""
    world, crawler, hand = play(speed=1.0)
    hand.ask("M17")
    hand.ask("G1 X100 F6000")
    wait_for(lambda: hand.place()[0] > 10)
    hand.close()
    wait_for(lambda: len(crawler.log.all("hung_up")) == 1)
    assert at_rest(world, crawler)[0] < 90.0


def test_unplug_and_inject_by_the_crawlers_name(play: Play, tmp_path: Path) -> None:
    """Its port is unplugged, plugged and soiled like that of a device."""
    world, crawler, hand = play()
    world.inject("crawler", b"noise\n")
    hand.hear("noise")
    world.unplug("crawler")
    wait_for(lambda: not (tmp_path / "crawler").is_symlink())
    wait_for(lambda: len(crawler.log.all("hung_up")) == 1)
    world.replug("crawler")
    with Hand(tmp_path / "crawler") as other:
        other.ask("M17")


def test_scan_lines_carry_line_and_visit(play: Play) -> None:
    """Rows of the truth tell the line and how often it was driven, so that faults end."""
    world, _, hand = play(speed=10)
    hand.ask("M17")
    hand.ask("G1 X100 F6000")
    hand.ask("G1 Y8")
    hand.ask("G1 X0")
    hand.ask("G1 X60")
    hand.rest()
    wait_for(lambda: world.truth.rows("gauge")["pass_number"].max() == 1)
    rows = world.truth.rows("gauge")
    assert set(rows["line"][rows["pass_number"] == 1]) <= {-1, 1}
    assert set(rows["line"]) == {-1, 0, 1}


def test_tcp_port_takes_commands(play: Play, scenario_data: dict[str, Any]) -> None:
    """The same over TCP; the description names the real port."""
    del scenario_data
    from simulators.crawler.driver import motion
    from swathe_simulators import Scenario

    world, _, _ = play()
    data = world.scenario.model_dump()
    data["motion"] = motion(port={"kind": "tcp"}, name="rig")
    data["device"] = [{**d, "port": {"kind": "tcp"}} for d in data["device"]]
    with World(Scenario.model_validate(data), ports_dir=Path(), speed=4) as other:
        info = other.describe()[-1]
        assert (info.name, info.kind, info.example) == ("rig", "crawler", "POS X0.000 Y0.000 idle")
        number = int(info.port.rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", number), timeout=10) as client:
            client.sendall(b"M17\nM114\n")
            listened = b""
            while listened.count(b"ok\n") < 2:
                listened += client.recv(100)
    assert listened == b"ok\nPOS X0.000 Y0.000 idle\nok\n"


def test_builtin_scenario_drives(tmp_path: Path) -> None:
    """The scenario that comes along loads, and its crawler answers."""
    scenario = load_scenario(builtin_scenario("crawler"))
    with (
        World(scenario, ports_dir=tmp_path, speed=4) as world,
        Hand(tmp_path / "crawler") as hand,
    ):
        assert [info.name for info in world.describe()] == ["encoder", "gauge", "crawler"]
        wait_for(lambda: world.start_s is not None)
        assert hand.place() == (-60.0, 0.0, "idle")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("start_scan_mm = -60", "start_scan_mm = -90", "start_scan_mm within scan_limits_mm"),
        ("index_home_mm = 0", "index_home_mm = 200", "index_home_mm within index_limits_mm"),
        ('name = "crawler"\nstart_scan', 'name = "gauge"\nstart_scan', "'motion.name' must differ"),
        ("slip = 0.02,", "slip = 2,", "'motion.mishap.slip' must be <= 1"),
    ],
)
def test_scenario_mistakes_are_named(tmp_path: Path, old: str, new: str, expected: str) -> None:
    """What can't be is told with its key."""
    text = builtin_scenario("crawler").read_text()
    assert old in text
    path = tmp_path / "bad.toml"
    path.write_text(text.replace(old, new))
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert expected in str(caught.value)
