"""Lines by hand on real ports: readings count for the line that the probe was on, or for none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import swathe
from support.hand.scene import LENGTH, OVER, Scene, bench_text, measured

pytestmark = pytest.mark.slow


def test_step_forgotten_is_moved_to_its_line(play: Callable[..., Scene]) -> None:
    """What was read on line 1 while the board showed line 0 is moved, and listed with the reason."""
    scene = play(lines=2)
    scene.scan_to(LENGTH + OVER)
    scene.console.do("note", text="line 0 is done")
    scene.return_to(-OVER)
    scene.scanner.carry(-OVER, row=1)
    scene.scan_to(100.0)
    scene.console.do("next line")
    stretch = {"begin": "line 0 is done"}
    scene.console.do("move", stretch=stretch, line=1, text="the key was forgotten")
    scene.console.wait(lambda: scene.console.revisions_placed() == 1, "the move")
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).all()
    (revision,) = scene.record()["revisions"]
    assert (revision["kind"], revision["to_line"]) == ("move", 1)
    assert revision["because"] == "the key was forgotten"
    assert revision["readings"] > 50


def test_burst_of_thin_readings_is_discarded_and_restored(play: Callable[..., Scene]) -> None:
    """4.20 mm for a moment raises the alarm; discarded, the minimum is the wall's; restored, it is back."""
    scene = play()
    scene.scan_to(100.0)
    scene.scanner.gauge = "burst"
    scene.scanner.move(110.0, speed=40.0)
    scene.scanner.gauge = "good"
    scene.console.wait_alarm("below alert")
    scene.scan_to(150.0)
    stretch = {"line": 0, "scan": {"from": 95.0, "to": 115.0}}
    scene.console.do("discard", stretch=stretch, text="couplant ran off")
    scene.console.wait(lambda: scene.console.progress["minimum"] > 5.0, "the wall's minimum")
    scene.console.do("restore", revision=1, text="the wrong stretch")
    scene.console.wait(lambda: scene.console.progress["minimum"] < 5.0, "the burst again")
    scene.console.do("discard", stretch=stretch, text="it was the right one")
    scene.console.wait(lambda: scene.console.progress["minimum"] > 5.0, "the wall's minimum")
    scene.scanner.coupled = False
    scene.scanner.move(85.0)
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).all()
    first, second = scene.record()["revisions"]
    assert first["restored_by"] == "A. Kern"
    assert second["restored_by"] == ""


def test_stepping_while_coupled_puts_no_reading_on_the_other_line(
    play: Callable[..., Scene],
) -> None:
    """The echo stays while the scanner is shifted across, before and after the key."""
    scene = play(lines=3)
    for row in (1, 2):
        scene.scan_to(LENGTH + OVER)
        scene.return_to(0.0)
        scene.scanner.coupled = True
        scene.scanner.stand(20)
        if row == 1:
            scene.console.do("next line")
            scene.scanner.stand(20)
        scene.scanner.row = row
        scene.scanner.stand(20)
        if row == 2:
            scene.console.do("next line")
            scene.scanner.stand(20)
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).all()


@pytest.mark.parametrize("advance", ["return", "either end"])
def test_lines_follow_one_way_and_serpentine_strokes(
    play: Callable[..., Scene], advance: str
) -> None:
    """No key is pressed, but for the line that an obstacle ends early."""
    scene = play(lines=4, advance=advance)
    for row in range(4):
        scene.console.wait_line(row)
        away = scene.scanner.scan > LENGTH / 2
        far = -OVER if away else LENGTH + OVER
        if row == 2:
            scene.scan_to(120.0)
            scene.scanner.coupled = False
            scene.console.do("line blocked")
            scene.return_to(far if advance == "either end" else -OVER)
        else:
            scene.scan_to(far)
            if advance == "return":
                scene.return_to(-OVER)
        scene.scanner.carry(scene.scanner.scan, row=min(row + 1, 3))
    arrays = scene.finish()
    has = measured(arrays)
    assert has[[0, 1, 3]].all()
    assert has[2, arrays.scan.values <= 115.0].all()
    assert not has[2, arrays.scan.values >= 130.0].any()


def test_return_in_the_air_is_not_too_fast(play: Callable[..., Scene]) -> None:
    """Returns without an echo raise no alarm however fast; a coupled stroke does."""
    scene = play(lines=3)
    for row in range(2):
        # Far below the limit: on a busy machine readings come late, and the limit falls with them.
        scene.scan_to(LENGTH + OVER, speed=50.0)
        scene.scanner.coupled = False
        for to in (-OVER, LENGTH, -OVER, LENGTH, -OVER):
            scene.scanner.move(to, speed=700.0)
        scene.console.do("next line")
        scene.scanner.carry(-OVER, row=row + 1)
    assert not scene.console.alarms("too fast")
    assert not scene.console.alarms("too fast", "over")
    scene.scan_to(1000.0, speed=700.0)
    scene.console.wait_alarm("too fast")
    scene.finish()


def test_wrapped_lines_by_return_are_refused(tmp_path: Path) -> None:
    """A turn has no start to return to: the check refuses it and names the key."""
    station = tmp_path / "station.toml"
    station.write_text(
        bench_text(
            encoder="a", gauge="b", broker=1883, lines=3, advance="return", scan='mode = "wrapped"'
        )
    )
    result = swathe("check", station)
    assert result.returncode == 1
    assert "index.advance" in result.stderr
