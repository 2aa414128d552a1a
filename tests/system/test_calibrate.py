"""Calibrating on real ports and on a recorded survey."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.daemon import swathe
from support.instrument import Instrument
from support.shell import ShellTerminal

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "1 m"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 26
[device.encoder]
port = "{port}"
[device.encoder.protocol]
columns = [{{ is = "counts", axis = "scan", bits = 16 }}, {{ is = "thickness", unit = "mm" }}]
"""


class Wheel:
    """An encoder on a pseudo-terminal that stands where it is told, its counter 16 bits wide."""

    def __init__(self) -> None:
        self._master, self._slave = pty.openpty()
        self.port = os.ttyname(self._slave)
        self.counts = 0
        self.silent = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._speak, name="wheel")
        self._thread.start()

    def _speak(self) -> None:
        while not self._stop.wait(0.01):
            if self.silent:
                continue
            os.write(self._master, f"{self.counts % 65536},12.0\r\n".encode())

    def roll(self, counts: int) -> None:
        """Roll on, no faster than a hand."""
        begin = self.counts
        for k in range(1, 101):
            self.counts = begin + counts * k // 100
            time.sleep(0.01)

    def close(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def wheel() -> Iterator[Wheel]:
    """Return a wheel that speaks."""
    made = Wheel()
    yield made
    made.close()


def start(wheel: Wheel, tmp_path: Path, terminal: ShellTerminal, arguments: str) -> None:
    """Type a command on a station with the wheel."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    terminal.type(f"{sys.executable} -m swathe calibrate {arguments.format(station=station)}\n")


def roll(wheel: Wheel, terminal: ShellTerminal, counts: int, *, key: str = "\n") -> None:
    """Set it at the start, roll it while the counts are shown, and press Enter."""
    terminal.wait_for("set it at the start")
    terminal.type(key)
    terminal.wait_for("roll it ")
    terminal.wait_for("+0 counts")
    wheel.roll(counts)
    terminal.wait_for(f"{counts:+,d} counts")
    terminal.type("\n")


@pytest.mark.slow
def test_encoder_is_measured_by_rolling(wheel: Wheel, tmp_path: Path) -> None:
    """Three rolls of half a metre over the counter's end: counts per mm, mean and spread."""
    wheel.counts = 60_000
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '500 mm'")
        for counts in (13_040, 13_020, 13_060):
            roll(wheel, terminal, counts)
        terminal.wait_for("26.0800 counts/mm")
        terminal.wait_for("reversed = false")
        assert re.search(r"runs differ by 0\.31 %", terminal.wait_for("prompt> "))
        assert terminal.has_lines


@pytest.mark.slow
def test_encoder_runs_that_differ_are_warned_of(wheel: Wheel, tmp_path: Path) -> None:
    """Runs that differ by more than the tolerance are told with what may be wrong."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '20 in' --runs 2")
        for counts in (13_000, 12_600):
            roll(wheel, terminal, counts)
        terminal.wait_for("WARNING: the runs differ by more than 0.5 %")
        terminal.wait_for("prompt> ")
        terminal.type("echo code $?\n")
        terminal.wait_for("code 3")


@pytest.mark.slow
def test_bad_rolls_are_refused_at_once_and_repeated(wheel: Wheel, tmp_path: Path) -> None:
    """Enter twice, the other way, a counter that begins again, half the length: none of them counts."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '500 mm' --runs 2")
        terminal.wait_for("set it at the start")
        terminal.type("\n")
        terminal.wait_for("roll it ")
        terminal.wait_for("+0 counts")
        terminal.type("\n")  # once too often
        terminal.wait_for("it has not moved yet")
        terminal.wait_for("+0 counts")
        wheel.roll(5000)
        terminal.wait_for("+5,000 counts")
        terminal.type("S")
        terminal.wait_for("the start is here")
        terminal.wait_for("+0 counts")
        wheel.roll(13_000)
        terminal.wait_for("+13,000 counts")
        terminal.type("\n")
        terminal.wait_for("run 2 of 2: set it at the start")
        roll(wheel, terminal, -13_000)
        terminal.wait_for(
            "REFUSED, run 2 of 2 is repeated: -13,000 counts: it was rolled the other"
        )
        roll(wheel, terminal, 6_500)
        terminal.wait_for("REFUSED, run 2 of 2 is repeated: +6,500 counts: -50.0 %")
        terminal.wait_for("set it at the start")
        terminal.type("\n")
        terminal.wait_for("+0 counts")
        wheel.roll(8_000)
        terminal.wait_for("+8,000 counts")
        wheel.counts = 0  # switched off and on
        terminal.wait_for("counts,")
        wheel.roll(5_000)
        terminal.type("\n")
        terminal.wait_for("REFUSED, run 2 of 2 is repeated: the counter jumped by ")
        roll(wheel, terminal, 13_010)
        terminal.wait_for("26.0100 counts/mm")


@pytest.mark.slow
def test_ctrl_z_while_rolling_leaves_the_terminal_right(wheel: Wheel, tmp_path: Path) -> None:
    """The shell has lines and a cursor; after fg the counts are shown, and keys are keys."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '500 mm' --runs 1")
        terminal.wait_for("set it at the start")
        terminal.wait_for("0 counts")
        terminal.type("\x1a")
        terminal.wait_for("prompt> ")
        assert terminal.has_lines
        assert terminal.raw.rfind(b"\x1b[?25h") > terminal.raw.rfind(b"\x1b[?25l")
        terminal.type("fg\n")
        terminal.wait_for("0 counts")
        terminal.wait(lambda: not terminal.has_lines, "keys one by one")
        terminal.type("\n")
        terminal.wait_for("+0 counts")
        wheel.roll(13_000)
        terminal.wait_for("+13,000 counts")
        terminal.type("\n")
        terminal.wait_for("26.0000 counts/mm")
        terminal.wait_for("prompt> ")
        assert terminal.has_lines


@pytest.mark.slow
def test_first_roll_that_was_the_bad_one_is_left_out(wheel: Wheel, tmp_path: Path) -> None:
    """Where two rolls contradict the first one and agree, they are right."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '500 mm' --runs 2")
        roll(wheel, terminal, 7_000)
        terminal.wait_for("run 2 of 2: set it at the start")
        roll(wheel, terminal, 13_000)
        terminal.wait_for("REFUSED, run 2 of 2 is repeated")
        roll(wheel, terminal, 13_020)
        terminal.wait_for("run 1 (+7,000 counts) is left out")
        terminal.wait_for("26.0200 counts/mm ±")


@pytest.mark.slow
def test_a_silent_encoder_is_seen_while_rolling(wheel: Wheel, tmp_path: Path) -> None:
    """No count for a second is shown at once, and refused; Q gives up."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "encoder {station} --length '500 mm'")
        terminal.wait_for("set it at the start")
        terminal.type("\n")
        terminal.wait_for("+0 counts")
        wheel.silent = True
        terminal.wait_for("NO COUNT FOR ")
        terminal.type("\n")
        terminal.wait_for("REFUSED, run 1 of 3 is repeated: no count came for")
        terminal.wait_for("set it at the start")
        terminal.type("Q")
        terminal.wait_for("given up: nothing is measured")
        terminal.wait_for("prompt> ")
        assert terminal.has_lines


@pytest.mark.slow
def test_length_of_a_part_is_measured(wheel: Wheel, tmp_path: Path) -> None:
    """Zero at one end, roll to the other: 7 in, shown while it rolls; Enter twice prints it twice."""
    with ShellTerminal() as terminal:
        start(wheel, tmp_path, terminal, "length {station}")
        terminal.wait_for("press Enter for zero")
        terminal.type("\n")
        terminal.wait_for("0.00 mm, 0.000 in")
        terminal.type("\n")
        terminal.wait_for("it has not moved")
        wheel.roll(4620)
        terminal.wait_for("177.69 mm, 6.996 in")
        for _ in range(2):
            terminal.type("\n")
            terminal.wait_for("177.69 mm, 6.996 in\nroll it to the other end")
        wheel.counts = 0
        terminal.type("\n")
        terminal.wait_for("REFUSED: the counter jumped by -4,620 counts")
        terminal.wait_for("press Enter for zero")
        terminal.type("Q")
        terminal.wait_for("prompt> ")
        terminal.type("echo code $?\n")
        terminal.wait_for("code 0")


@pytest.mark.slow
def test_encoder_is_measured_without_a_terminal(wheel: Wheel, tmp_path: Path) -> None:
    """Through pipes a line answers each prompt; the end of the input gives up."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    arguments = ["calibrate", "encoder", str(station), "--length", "500 mm", "--runs", "1"]
    with subprocess.Popen(
        [sys.executable, "-m", "swathe", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        said = b""
        for prompt, counts in ((b"at the start", 0), (b"roll it", 0), (b"not moved yet", 13_000)):
            while prompt not in said:
                said += os.read(process.stdout.fileno(), 4096)
            wheel.roll(counts)
            process.stdin.write(b"\n")
            process.stdin.flush()
        process.stdin.close()
        said += process.stdout.read()
    assert process.returncode == 0, said
    assert b"26.0000 counts/mm" in said
    result = subprocess.run(
        [sys.executable, "-m", "swathe", *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert result.returncode == 1
    assert "given up: nothing is measured" in result.stderr


def test_encoder_calibration_says_what_is_wrong(tmp_path: Path, wheel: Wheel) -> None:
    """A wrong axis, a length without unit: told with what is required."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    result = swathe("calibrate", "encoder", station, "--length", "500")
    assert result.returncode == 1
    assert (
        "'--length' must be a length with its unit, such as '178 mm' (got '500')" in result.stderr
    )
    result = swathe("calibrate", "length", station, "--axis", "index")
    assert result.returncode == 1
    assert "'index' is no encoded axis of this station" in result.stderr


BLOCK = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "1 m"
resolution = "1 mm"
device = "probe"
counts_per_mm = 20
[block]
name = "B-7"
steps = ["12.7 mm", "5.08 mm"]
[probe]
diameter = "6.35 mm"
frequency = "5 MHz"
[calibration]
velocity = "5920 m/s"
[device.probe]
port = "{port}"
[device.probe.protocol]
columns = [
  {{ is = "counts", axis = "scan" }},
  {{ is = "time_of_flight", unit = "us", min = 0, max = 100 }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""


@pytest.mark.slow
def test_block_is_calibrated_in_rounds(tmp_path: Path) -> None:
    """A probe that was not lifted, one on the wrong step and one that is repeated, on a terminal."""
    station, record = tmp_path / "station.toml", tmp_path / "calibration.json"
    with Instrument() as instrument, ShellTerminal() as terminal:
        station.write_text(BLOCK.format(port=instrument.port))
        command = f"calibrate thickness {station} --by A.Kern --couplings 2 --out {record}"
        terminal.type(f"{sys.executable} -m swathe {command}\n")

        def couple(wall: float, film: float, *, lifted: bool = True) -> None:
            if lifted:
                instrument.wall = None
                time.sleep(0.5)
            instrument.wall, instrument.film = wall, film
            terminal.type("\n")

        terminal.wait_for("round 1 of 2, step 12.7 mm: put the probe on")
        couple(12.7, 0.003)
        terminal.wait_for("1: 4.")
        terminal.wait_for("round 1 of 2, step 5.08 mm: put the probe on")
        couple(5.08, -0.003)
        terminal.wait_for("2: 2.1")
        terminal.wait_for("round 2 of 2, step 12.7 mm: lift the probe and put it on again")
        couple(12.7, 0.0, lifted=False)
        terminal.wait_for("REFUSED, it is repeated: the echo was never away")
        terminal.wait_for("round 2 of 2, step 12.7 mm")
        couple(5.08, 0.0)
        terminal.wait_for("REFUSED, it is repeated: 2.1")
        terminal.wait_for("is what step 5.08 mm gave before: put the")
        terminal.wait_for("round 2 of 2, step 12.7 mm")
        couple(12.7, -0.003)
        terminal.wait_for("3: 4.")
        terminal.wait_for("round 2 of 2, step 5.08 mm")
        couple(5.08, 0.053)  # dirt under it
        terminal.wait_for("4: 2.1")
        terminal.wait_for("press Enter to calibrate")
        terminal.type("9\n")
        terminal.wait_for("there is no coupling 9 to repeat; made are: 1, 2, 3, 4")
        terminal.wait_for("press Enter to calibrate")
        terminal.type("4\n")
        terminal.wait_for("round 2 of 2, step 5.08 mm")
        couple(5.08, 0.003)
        terminal.wait_for("press Enter to calibrate")
        terminal.type("\n")
        terminal.wait_for("95% intervals: velocity ±")
        terminal.wait_for("the repeatability between couplings, ")
        terminal.wait_for("prompt> ")
    made = json.loads(record.read_text())
    # Each step differs by 6 ns between its two couplings, with some tenths of noise.
    assert made["coupling_us"] == pytest.approx(0.006 / 2**0.5, abs=0.0012)
    assert made["coupling_dof"] == 2
    assert [[one["round"] for one in step["couplings"]] for step in made["steps"]] == [[1, 2]] * 2


@pytest.mark.slow
def test_delay_is_measured_on_the_demo(
    demo: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """The demo's gauge comes 9 ms late at speed 1, and that is in force: next to nothing is left."""
    folder, result = demo
    assert result.returncode == 0, result.stdout
    told = swathe("calibrate", "delay", folder / "penstock-3")
    assert told.returncode == 0, told.stdout
    match = re.search(
        r"delay of gauge: (-?[0-9.]+) ms, 95 % interval (-?[0-9.]+) ms to (-?[0-9.]+) ms; 0.45 ms are",
        told.stdout,
    )
    assert match is not None, told.stdout
    assert float(match[1]) == pytest.approx(0.45, abs=0.6)
    assert float(match[2]) < float(match[1]) < float(match[3])
