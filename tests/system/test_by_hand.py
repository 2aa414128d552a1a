"""Slips of a hand at the wall, each on real ports: caught, undone or reported."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from support.hand.scene import CELL, LENGTH, OVER, Scene, measured

pytestmark = pytest.mark.slow


def test_encoder_off_and_on_counts_again_from_a_named_mark(play: Callable[..., Scene]) -> None:
    """The counter begins at 0 at 150 mm: nothing counts until the operator gives the place."""
    scene = play()
    scene.scan_to(150.0)
    scene.scanner.powered = False
    scene.console.wait_alarm("device silent")
    scene.scanner.powered = True
    alarm = scene.console.wait_alarm("position lost")
    assert "150" in alarm["detail"], alarm
    before = scene.console.progress["measured"]
    scene.scan_to(180.0)
    scene.scanner.carry(60.0)
    scene.console.wait(lambda: scene.console.progress["scan"] is None, "no position")
    scene.console.reference(mark="weld 12")
    scene.console.wait(lambda: not scene.console.alarms("position lost"), "the position")
    assert scene.console.progress["measured"] == before
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).all()


def test_set_down_elsewhere_counts_from_the_place_that_is_given(play: Callable[..., Scene]) -> None:
    """Lifted at 150 mm and set down at 70 mm, it has an echo before the operator gives the place."""
    scene = play()
    scene.scan_to(150.0)
    scene.scanner.carry(70.0)
    scene.scanner.coupled = True
    scene.console.wait_readings(20)
    scene.console.reference(scan=70.0)
    scene.console.wait_readings(20)
    scene.scan_to(100.0)
    scene.return_to(140.0)
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).all()


def test_dead_gauge_is_silent(play: Callable[..., Scene]) -> None:
    """A dead battery is an alarm of its own, which does not send anybody to the couplant."""
    scene = play()
    scene.scan_to(60.0)
    scene.scanner.gauge = "dead"
    scene.scan_to(100.0)
    alarm = scene.console.wait_alarm("device silent")
    assert "power" in alarm["detail"]
    assert not scene.console.alarms("coupling lost")
    scene.scanner.gauge = "good"
    scene.console.wait(lambda: not scene.console.alarms("device silent"), "its end")
    scene.return_to(40.0)
    scene.scan_to(LENGTH + OVER)
    assert measured(scene.finish()).all()


def test_gauge_that_never_had_an_echo_is_no_lost_coupling(play: Callable[..., Scene]) -> None:
    """Readings of which none had an echo have their own alarm, and coupling that is lost has its own."""
    scene = play()
    scene.scanner.gauge = "echoless"
    scene.scan_to(100.0)
    alarm = scene.console.wait_alarm("no echo")
    assert "gate" in alarm["detail"]
    assert not scene.console.alarms("coupling lost")
    scene.return_to(0.0)
    scene.scanner.gauge = "good"
    scene.scan_to(100.0)
    scene.console.wait(lambda: not scene.console.alarms("no echo"), "its end")
    scene.scanner.coupled = False
    assert "couplant" in scene.console.wait_alarm("coupling lost")["detail"]
    scene.scan_to(LENGTH + OVER)
    assert measured(scene.finish()).all()


@pytest.mark.core
def test_thin_spot_has_its_place(play: Callable[..., Scene]) -> None:
    """The alarm and the progress name the cell that is thin, not the middle of the area."""
    scene = play()
    scene.scan_to(110.0)
    scene.scanner.gauge = "burst"
    scene.scanner.move(112.0, speed=20.0)
    scene.scanner.gauge = "good"
    alarm = scene.console.wait_alarm("below alert")
    assert alarm["minimum_scan"] == pytest.approx(110.0, abs=CELL)
    scene.scan_to(LENGTH + OVER)
    # One cell that was read in one pass: the minimum of all readings, and to confirm.
    scene.console.wait(
        lambda: scene.console.progress["minimum_raw_scan"] is not None, "the raw minimum"
    )
    assert scene.console.progress["minimum_raw_scan"] == pytest.approx(110.0, abs=CELL)
    assert "to confirm" in alarm["detail"]


def test_gap_over_a_seam_is_one_short_gap(play: Callable[..., Scene]) -> None:
    """Turns later the gap that was left over the seam is 60 mm long, and closes by one stroke."""
    scene = play(scan='mode = "wrapped"')
    scene.return_to(30.0)
    scene.scan_to(170.0)
    scene.return_to(3 * LENGTH + 100.0)
    scene.console.wait(lambda: "gap/1" in scene.console.newest, "the gap")
    gap = scene.console.newest["gap/1"]
    assert gap["scan"]["to"] - gap["scan"]["from"] == pytest.approx(55.0, abs=2 * CELL)
    assert gap["scan"]["from"] == pytest.approx(172.5, abs=CELL)
    scene.return_to(3 * LENGTH + 150.0)
    scene.scan_to(4 * LENGTH + 50.0)
    arrays = scene.finish()
    assert measured(arrays).all()


def test_counter_that_starts_again_is_no_return_to_the_start(play: Callable[..., Scene]) -> None:
    """Lines begin by the return of the probe; that of the counts, from 150 mm to 0, is none."""
    scene = play(lines=3, advance="return")
    scene.scan_to(150.0)
    scene.scanner.powered = False
    scene.console.wait_alarm("device silent")
    scene.scanner.powered = True
    scene.console.wait_alarm("position lost")
    scene.scan_to(180.0)
    scene.scanner.carry(60.0)
    scene.console.reference(mark="weld 12")
    scene.console.wait(lambda: not scene.console.alarms("position lost"), "the position")
    assert scene.console.progress["line_now"]["number"] == 0
    scene.scan_to(190.0)
    arrays = scene.finish()
    assert measured(arrays)[0].sum() > 30
    assert not measured(arrays)[1:].any()


def test_lift_is_offered_and_what_was_read_since_it_is_discarded(
    play: Callable[..., Scene],
) -> None:
    """Set down elsewhere and moved on before the place is given: the reply has the stretch."""
    scene = play()
    scene.scan_to(100.0)
    scene.scanner.coupled = False
    scene.console.wait_alarm("coupling lost")
    scene.scanner.carry(40.0)
    scene.scanner.coupled = True
    scene.console.wait(lambda: scene.console.progress["lifted"], "the offer")
    lifted = scene.console.progress["lifted"]
    assert abs(lifted["scan"] - 100.0) < 3.0, lifted
    assert lifted["text"].endswith("set down elsewhere, give its place")
    scene.scan_to(70.0)  # counts as 130 mm
    scene.console.wait_readings(20)
    detail = scene.console.reference(scan=70.0)["detail"]
    begin, end = detail.rpartition(" from ")[2].split(" to ")
    scene.console.wait(lambda: scene.console.progress["lifted"] is None, "its end")
    scene.console.do("discard", stretch={"begin": begin, "end": end}, text="carried to 40 mm")
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).sum() > 30
