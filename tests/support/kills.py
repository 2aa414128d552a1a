"""What a kill leaves in the journal, next to what the simulated devices had sent."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from support.daemon import DaemonProcess, wait_for
from support.processor import Withheld
from swathe.journal import Chunk, read_journal, segment_paths
from swathe_simulators import World

__all__ = ["MOMENTS", "Kill", "Moment", "journalled", "kill_at", "kill_in_mid_scan"]

PROMISE_MS = 50.0
"""Age of the oldest reading that a kill may cost on a computer with processors to spare."""

Moment = Literal["start-up", "resume", "scan", "checkpoint", "end"]
MOMENTS: tuple[Moment, ...] = ("start-up", "resume", "scan", "checkpoint", "end")
"""Of a run: before it has a journal; while it reads those of earlier runs; in mid-scan; while arrays
and record are written; after SIGTERM."""


@dataclass(frozen=True)
class Kill:
    """What one kill cost.

    Attributes:
        moment: of the run.
        age_ms: of the oldest lost reading; 0 if none is lost. After SIGTERM: age at the signal.
        withheld_ms: for how long something waited for a processor in the second before.
        waited_ms: for how long threads of the daemon and of its simulated devices did, in the quarter
            of a second before.
        sent: readings from the first one that the daemon received to the kill.
        doubled: readings that the journal has more than once.
        invented: lines of readings in the journal that no device had sent.
        code: exit code; that of SIGKILL unless the run had ended before.
    """

    moment: Moment
    age_ms: float
    withheld_ms: float
    waited_ms: float
    sent: int
    doubled: int
    invented: int
    code: int

    @property
    def allowed_ms(self) -> float:
        """The promise: 50 ms, and what the computer withheld."""
        return PROMISE_MS + self.withheld_ms

    @property
    def strictly_allowed_ms(self) -> float:
        """The promise: 50 ms, and how long daemon and devices themselves waited for a processor."""
        return PROMISE_MS + self.waited_ms


def journalled(survey: Path, port: str) -> bytes:
    """Return every byte of a port that the journal holds."""
    entries = read_journal(survey / "journal")
    return b"".join(e.data for e in entries if isinstance(e, Chunk) and e.port == port)


def kill_in_mid_scan(process: DaemonProcess, world: World, survey: Path, *, after: float) -> Kill:
    """Kill a run `after` so many seconds of journalling, and compare journal and truth."""
    kill = kill_at("scan", process, world, survey, after=after)
    assert kill.sent, "no reading arrived before the kill"
    return kill


def kill_at(
    moment: Moment, process: DaemonProcess, world: World, survey: Path, *, after: float
) -> Kill:
    """Kill a run that has just been started, and compare journal and truth.

    Args:
        moment: of the run.
        process: the run.
        world: the simulated devices.
        survey: the survey's folder.
        after: so many seconds after the moment begins.
    """
    opened = time.monotonic_ns()
    computer, own = Withheld(), Withheld(process.pid, os.getpid())

    def until(condition: Callable[[], bool], what: str) -> None:
        def sampled() -> bool:
            computer.sample()
            own.sample()
            return condition() or not process.running

        wait_for(sampled, 600, what)

    def wait(seconds: float) -> None:
        end = time.monotonic() + seconds
        until(lambda: time.monotonic() >= end, "the moment")

    before = len(segment_paths(survey / "journal")) if survey.exists() else 0
    ending = 0
    if moment != "start-up":
        until(lambda: len(segment_paths(survey / "journal")) > before, "the journal")
    if moment in ("scan", "checkpoint", "end"):
        until((survey / "survey.json").exists, "the record")
    if moment == "checkpoint":
        wait(1.0)
        first = _newest(survey)
        until(lambda: _newest(survey) != first, "a checkpoint")
    elif moment == "end":
        wait(1.0)
        ending = time.monotonic_ns()
        process.signal(signal.SIGTERM)
    wait(after)
    if process.running:
        process.signal(signal.SIGKILL)
    killed = time.monotonic_ns()
    code, output = process.finish()
    assert code == -signal.SIGKILL or (moment == "end" and code == 3), output
    lines = journalled(survey, "gauge").split(b"\r\n") if survey.exists() else []
    held = Counter(line.split(b",")[1] for line in lines if line.startswith(b"R,") and b"*" in line)
    # What is sent while the run ends is not awaited.
    until_ns = ending or killed
    rows = world.truth.rows("gauge")
    mine = (rows["host_time_ns"] > opened) & (rows["host_time_ns"] < until_ns)
    sent = rows[mine & ~rows["dropped"]]
    # Lines are unique by their clock: which of those sent in this run's time are held?
    found = [str(clock).encode() in held for clock in sent["clock_us"]]
    # From the first one that arrived on: what was sent before, its port was not open for.
    begin = found.index(True) if any(found) else len(found)
    lost = [
        (until_ns - at) / 1e6
        for at, is_held in zip(sent["host_time_ns"][begin:], found[begin:], strict=True)
        if not is_held
    ]
    true = {str(clock).encode() for clock in rows["clock_us"]}
    return Kill(
        moment=moment,
        age_ms=max(lost, default=0.0),
        withheld_ms=computer.before(1.0),
        waited_ms=own.before(0.25),
        sent=len(found) - begin,
        doubled=sum(count > 1 for count in held.values()),
        invented=sum(clock not in true for clock in held),
        code=code,
    )


def _newest(survey: Path) -> int:
    """Return when something in the record or arrays was written last, ns."""
    folders = (survey, survey / "survey.zarr")
    return max(path.stat().st_mtime_ns for path in folders if path.exists())
