"""Calibrating on real ports and on a recorded survey."""

from __future__ import annotations

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
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._speak, name="wheel")
        self._thread.start()

    def _speak(self) -> None:
        while not self._stop.wait(0.01):
            os.write(self._master, f"{self.counts % 65536},12.0\r\n".encode())

    def roll(self, counts: int) -> None:
        """Roll on, no faster than a hand."""
        for _ in range(20):
            self.counts += counts // 20
            time.sleep(0.02)
        self.counts += counts % 20 if counts > 0 else 0

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


def talk(arguments: list[str], wheel: Wheel, rolls: list[int]) -> tuple[int, str]:
    """Run a command; press Enter, roll, press Enter, for each roll; return code and output."""
    process = subprocess.Popen(
        [sys.executable, "-m", "swathe", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdin is not None
    time.sleep(4.0)
    for counts in rolls:
        process.stdin.write("\n")
        process.stdin.flush()
        time.sleep(0.8)
        wheel.roll(counts)
        process.stdin.write("\n")
        process.stdin.flush()
        time.sleep(0.8)
    output, _ = process.communicate(timeout=30)
    return process.returncode, output


@pytest.mark.slow
def test_encoder_is_measured_by_rolling(wheel: Wheel, tmp_path: Path) -> None:
    """Three rolls of half a metre over the counter's end: counts per mm, mean and spread."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    wheel.counts = 60_000
    arguments = ["calibrate", "encoder", str(station), "--length", "500 mm"]
    code, output = talk(arguments, wheel, [13_040, 13_020, 13_060])
    assert code == 0, output
    assert "26.0800 counts/mm" in output
    assert "reversed = false" in output
    assert re.search(r"runs differ by 0\.31 %", output)


@pytest.mark.slow
def test_encoder_runs_that_differ_are_warned_of(wheel: Wheel, tmp_path: Path) -> None:
    """Runs that differ by more than the tolerance are told with what may be wrong."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    arguments = ["calibrate", "encoder", str(station), "--length", "20 in", "--runs", "2"]
    code, output = talk(arguments, wheel, [13_000, 12_000])
    assert code == 3, output
    assert "WARNING: the runs differ by more than 0.5 %" in output


@pytest.mark.slow
def test_length_of_a_part_is_measured(wheel: Wheel, tmp_path: Path) -> None:
    """Zero at one end, roll to the other: 7 in."""
    station = tmp_path / "station.toml"
    station.write_text(STATION.format(port=wheel.port))
    code, output = talk(["calibrate", "length", str(station)], wheel, [4620])
    assert code == 0, output
    assert "177.69 mm, 6.996 in" in output


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
