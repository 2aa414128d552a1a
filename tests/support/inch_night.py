"""A night on a simulated instrument, all in inches: calibrate, check, scan, a failed check, go back, report."""

from __future__ import annotations

import asyncio
import io
import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rich.console import Console

from support.daemon import swathe
from support.instrument import COUNTS_PER_MM, Instrument
from swathe.board import Board, Stations
from swathe.live import Daemon
from swathe.live.run_panel import RunPanel
from swathe.station import read_station
from swathe.store import SurveyFolder

__all__ = ["InchNight"]

INCH = 25.4
STEPS = (0.5, 0.2)
"""Of the block, in."""
WALL = 0.375
"""Of the part, in."""
DRIFT_US = 0.06
"""By which a loose plug lets the times of flight be late: 0.007 in."""
LENGTH, LINES, LINE = 2.0, 2, 0.25
"""Of the plan, in; number of lines, and from one to the next, in."""
_SECONDS = 1.3
_RESTED = 30
"""Records after which the probe is known to rest where it was set down."""
_WAIT_SECONDS = 120.0

STATION = """
name = "belt"
units = "in"
[survey]
folder = "survey"
part = "Penstock 3, belt below the manhole"
operator = "A. Kern"
nominal_thickness = "0.4 in"
alert_below = "0.3 in"
[scan]
length = "{length} in"
resolution = "0.1 in"
device = "probe"
counts_per_mm = {counts}
[index]
length = "{across} in"
resolution = "{line} in"
mode = "stepped"
advance = "command"
[probe]
diameter = "0.25 in"
frequency = "5 MHz"
[block]
name = "B-7"
material = "carbon steel"
steps = ["0.5 in", "0.2 in"]
[calibration]
{calibration}
[verification]
block = "B-7"
steps = ["0.5 in", "0.2 in"]
tolerance = "0.004 in"
interval = "4 h"
[device.probe]
port = "{port}"
[device.probe.protocol]
columns = [
  {{ is = "counts", axis = "scan" }},
  {{ is = "time_of_flight", unit = "us", min = 0, max = 100 }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""


def station_text(port: str, *, record: bool) -> str:
    """Return the station file, with the record's calibration or with a nominal one."""
    return STATION.format(
        port=port,
        counts=COUNTS_PER_MM,
        length=LENGTH,
        across=LINE * (LINES - 1),
        line=LINE,
        calibration='file = "calibration.json"' if record else 'velocity = "0.233 in/us"',
    )


@dataclass
class InchNight:
    """One night; `run` plays it, and keeps what an operator saw.

    Attributes:
        folder: where station file, record and survey are.
        instrument: that speaks.
        outputs: what was printed or shown, by name.
    """

    folder: Path
    instrument: Instrument
    outputs: dict[str, str] = field(default_factory=dict)

    def run(self) -> str:
        """Play the night; return why the run ended."""
        self.outputs["calibrate"] = self.calibrate()
        path = self.folder / "belt.toml"
        path.write_text(station_text(self.instrument.port, record=True))
        self.outputs["check"] = swathe("check", path, "--seconds", "0.3").stdout
        reason = asyncio.run(self._scan(path))
        survey = self.folder / "survey"
        self.outputs["gaps"] = swathe("gaps", survey).stdout
        self.outputs["report"] = swathe("report", survey).stdout
        return reason

    def calibrate(self) -> str:
        """Calibrate on the block in two rounds, lifting the probe before each coupling."""
        path = self.folder / "belt.toml"
        path.write_text(station_text(self.instrument.port, record=False))
        command = [sys.executable, "-m", "swathe", "calibrate", "thickness", str(path)]
        command += ["--by", "A. Kern", "--block-temperature", "70 degF", "--couplings", "2"]
        command += ["--out", str(self.folder / "calibration.json")]
        with subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
            text=True,
        ) as process:
            output: list[str] = []
            reader = threading.Thread(target=self._read, args=(process, output))
            reader.start()
            for number, step in enumerate((*STEPS, *STEPS, None), 1):
                self._await(lambda number=number: "".join(output).count("press Enter") >= number)
                self.instrument.wall = None
                time.sleep(0.4)  # an echo that is missing shows a probe that is lifted
                self.instrument.wall = None if step is None else step * INCH
                self.instrument.film = 0.002 * number  # each coupling has a film of its own
                assert process.stdin is not None
                process.stdin.write("\n")
                process.stdin.flush()
            code = process.wait(_WAIT_SECONDS)
            reader.join()
        self.instrument.film = 0.0
        text = "".join(output)
        assert code == 0, text
        return text

    @staticmethod
    def _read(process: subprocess.Popen[str], output: list[str]) -> None:
        assert process.stdout is not None
        while letter := process.stdout.read(1):
            output.append(letter)

    @staticmethod
    def _await(condition: Any) -> None:
        limit = time.monotonic() + _WAIT_SECONDS
        while not condition():
            assert time.monotonic() < limit, "nothing happened"
            time.sleep(0.02)

    # --- the run, through the keys of its board

    async def _scan(self, path: Path) -> str:
        station, text = read_station(path)
        self.instrument.wall, self.instrument.place = None, -5.0
        daemon = Daemon(station, text, SurveyFolder(self.folder / "survey"))
        limit = asyncio.get_running_loop().call_later(_WAIT_SECONDS, daemon.stop, "not done")
        async with asyncio.TaskGroup() as tasks:
            hand = tasks.create_task(self._hand(daemon))
            outcome = await daemon.run()
            hand.cancel()
        limit.cancel()
        return outcome.reason

    async def _hand(self, daemon: Daemon) -> None:
        """Check, scan all but one line, fail a check, mend the plug, pass, and scan all again."""
        await _until(lambda: "swathe/belt/progress" in daemon.mirror.messages)
        stations = Stations()

        def put(topic: str) -> None:
            stations.put(topic, daemon.mirror.messages[topic], now=time.monotonic())

        for topic in daemon.mirror.messages:
            put(topic)
        daemon.mirror.watch(lambda topic, _: put(topic))
        console = Console(
            file=io.StringIO(), width=110, height=36, force_terminal=True, color_system=None
        )
        board = Board(console, stations, RunPanel(daemon), ring=lambda: None)

        def capture(name: str) -> None:
            with console.capture() as captured:
                console.print(board.render())
            self.outputs[f"board {name}"] = captured.get()

        await self._check(daemon, board, capture, "before", wrong=False)
        await self._give_place(daemon, board)
        await self._line(daemon, board, 0)
        capture("scanning")
        self.instrument.film = DRIFT_US  # the plug of the cable has come loose
        await self._check(daemon, board, capture, "failed", wrong=True)
        capture("after a failed check")
        self.instrument.film = 0.0
        await self._check(daemon, board, capture, "passed", wrong=False)
        await self._give_place(daemon, board)
        capture("suspect cells")
        board.press("l")
        for key in ("0", "enter"):
            board.press(key)
        for line in range(LINES):
            await self._line(daemon, board, line)
            capture(f"line {line} again")

    async def _check(
        self, daemon: Daemon, board: Board, capture: Any, name: str, *, wrong: bool
    ) -> None:
        """Lead the probe over the block by the keys of the board."""
        board.press("c")
        for step in STEPS:
            self.instrument.wall = None
            self.instrument.place += 7.0  # the wheel turns in the hand
            await _until(lambda: daemon.checks.now().reason.startswith("no echo"))
            self.instrument.wall = step * INCH
            await _until(lambda: daemon.checks.now().steady)
            await _until(lambda: "STEADY" in daemon.mirror.newest["swathe/belt/checking"].decode())
            capture(f"check {name}, step {step} in")
            board.press("enter")
            if wrong:
                await _until(
                    lambda: b'"beyond":true' in daemon.mirror.newest["swathe/belt/checking"]
                )
                capture(f"check {name}, step {step} in, beyond")
                board.press("enter")
        assert not daemon.checks.active
        await _until(lambda: b'"active":false' in daemon.mirror.newest["swathe/belt/checking"])
        self.instrument.wall = None

    async def _give_place(self, daemon: Daemon, board: Board) -> None:
        """Set the probe down at the start of a line, and say so."""
        self.instrument.place = -5.0
        tally = daemon.pipeline.tallies["probe"]
        rested = tally.positions + _RESTED
        await _until(lambda: tally.positions > rested)
        board.press("i")
        for key in ("-", "0", ".", "1", " ", "i", "n", "enter"):
            board.press(key)
        await _until(lambda: not daemon.pipeline.lost_axes)

    async def _line(self, daemon: Daemon, board: Board, line: int) -> None:
        """Scan a line there or back, with a pit on the second one, and step to the next."""
        if daemon.pipeline.line != line:
            board.press("n")
        low, high = -5.0, -5.0 + (LENGTH + 0.4) * INCH
        ends = (low, high) if self.instrument.place < INCH else (high, low)
        steps = round(_SECONDS / 0.01)
        for step in range(steps + 1):
            at = ends[0] + (ends[1] - ends[0]) * step / steps
            pit = line == 1 and abs(at - 1.0 * INCH) < 0.25 * INCH
            self.instrument.place = at
            self.instrument.wall = (0.28 if pit else WALL) * INCH
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.3)


async def _until(condition: Any) -> None:
    """Wait for what other threads bring about; the run is ended by its own limit."""
    while not condition():  # noqa: ASYNC110
        await asyncio.sleep(0.01)
