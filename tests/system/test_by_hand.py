"""Slips of a hand at the wall, each on real ports: caught, undone or reported."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import xarray as xr
from numpy.typing import NDArray

from support.broker import Broker
from support.daemon import DaemonProcess, swathe
from support.hand.console import Console
from support.hand.ports import SEAM_MM, PortScanner, wall

pytestmark = pytest.mark.slow

Start = Callable[..., DaemonProcess]
Floats = NDArray[np.float64]

LENGTH: Final = 200.0
CELL: Final = 2 * SEAM_MM
OVER: Final = 12.0

_STATION = """\
name = "bench"
[survey]
folder = "survey"
alert_below = "5 mm"
[scan]
length = "{length:g} mm"
resolution = "{cell:g} mm"
{scan}
device = "encoder"
counts_per_mm = 20
{index}
[[mark]]
name = "weld 12"
scan = "60 mm"
[device.encoder]
port = "{encoder}"
{rate}
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "P" }}, {clock}{{ is = "counts", axis = "scan", bits = 16 }},
]
[device.gauge]
port = "{gauge}"
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "R" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
[broker]
host = "127.0.0.1"
port = {broker}
"""
_LINES = (
    '[index]\nlength = "{length} mm"\nresolution = "10 mm"\nmode = "stepped"\nadvance = "{advance}"'
)


def station_text(
    *,
    encoder: str,
    gauge: str,
    broker: int,
    lines: int = 1,
    advance: str = "command",
    scan: str = "",
    clock: bool = True,
) -> str:
    """Return a station file with some lines."""
    return _STATION.format(
        length=LENGTH,
        cell=CELL,
        scan=scan,
        index=_LINES.format(length=10 * (lines - 1), advance=advance) if lines > 1 else "",
        encoder=encoder,
        gauge=gauge,
        rate="" if clock else 'rate = "100 Hz"',
        clock='{ is = "device_time", unit = "us" }, ' if clock else "",
        broker=broker,
    )


@dataclass
class Scene:
    """A station that runs, the scanner at its ports, and an operator's console.

    Attributes:
        scanner: in the hand.
        console: of the operator.
        process: the daemon.
        folder: the survey.
    """

    scanner: PortScanner
    console: Console
    process: DaemonProcess
    folder: Path

    def scan_to(self, scan: float, *, speed: float = 100.0) -> None:
        """Scan coupled to a position, mm, from rest to rest."""
        self.scanner.coupled = True
        self.scanner.move(scan, speed=speed)

    def return_to(self, scan: float) -> None:
        """Return in the air to a position, mm."""
        self.scanner.coupled = False
        self.scanner.move(scan, speed=700.0)

    def finish(self) -> xr.Dataset:
        """End the run; return the arrays, which are true to the wall."""
        self.console.post("stop")  # unless the plan is covered, which ends the run
        code, output = self.process.finish()
        assert code in (0, 3), output
        arrays: xr.Dataset = xr.open_zarr(self.folder / "survey.zarr").load()
        assert_true_to_wall(arrays)
        return arrays

    def record(self) -> dict[str, Any]:
        """Return the record of the survey."""
        record: dict[str, Any] = json.loads((self.folder / "survey.json").read_text())
        return record


def assert_true_to_wall(arrays: xr.Dataset) -> None:
    """Each cell that has a thickness has that of its place, and no reading of another one in it."""
    rows = np.arange(float(arrays.sizes["index"]))[:, np.newaxis]
    true = wall(arrays.scan.values, rows)
    for layer in (arrays.thickness, arrays.thickness_mean):
        # Half a cell, a count, and the motion between the two writes of a record.
        wrong = np.argwhere(np.abs(layer.values - true) > 0.01 * (CELL / 2 + 2.0))
        found = [(at.tolist(), float(layer.values[tuple(at)])) for at in wrong]
        assert not found, (layer.name, found)


def measured(arrays: xr.Dataset) -> NDArray[np.bool_]:
    """Return which cells are measured."""
    return np.asarray(np.isfinite(arrays.thickness.values))


@pytest.fixture
def play(mosquitto: Broker, daemon: Start, tmp_path: Path) -> Iterator[Callable[..., Scene]]:
    """Return a function that starts a scene on a plan of some lines."""
    with ExitStack() as stack:

        def start(
            *, lines: int = 1, advance: str = "command", scan: str = "", clock: bool = True
        ) -> Scene:
            scanner = stack.enter_context(
                PortScanner(clock=clock, around=LENGTH if "wrapped" in scan else 0.0)
            )
            text = station_text(
                encoder=scanner.encoder_port,
                gauge=scanner.gauge_port,
                broker=mosquitto.port,
                lines=lines,
                advance=advance,
                scan=scan,
                clock=clock,
            )
            station = tmp_path / "station.toml"
            station.write_text(text)
            console = stack.enter_context(Console(mosquitto.port))
            process = daemon(station)
            console.wait(
                lambda: console.newest.get("progress", {}).get("scan") is not None, "a position"
            )
            return Scene(scanner, console, process, tmp_path / "survey")

        yield start


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
    scene.console.wait(lambda: scene.console.progress["minimum_scan"] is not None, "the minimum")
    assert scene.console.progress["minimum_scan"] == pytest.approx(110.0, abs=CELL)


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
    detail = scene.console.do("reference", scan=70.0)["detail"]
    begin, end = detail.rpartition(" from ")[2].split(" to ")
    scene.console.wait(lambda: scene.console.progress["lifted"] is None, "its end")
    scene.console.do("discard", stretch={"begin": begin, "end": end}, text="carried to 40 mm")
    scene.scan_to(LENGTH + OVER)
    arrays = scene.finish()
    assert measured(arrays).sum() > 30


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
        scene.scan_to(LENGTH + OVER)
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
        station_text(
            encoder="a", gauge="b", broker=1883, lines=3, advance="return", scan='mode = "wrapped"'
        )
    )
    result = swathe("check", station)
    assert result.returncode == 1
    assert "index.advance" in result.stderr
