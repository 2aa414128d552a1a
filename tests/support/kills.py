"""What a kill in mid-scan leaves in the journal, next to what the simulated devices had sent."""

from __future__ import annotations

import signal
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from support.daemon import DaemonProcess, wait_for
from support.processor import Withheld
from swathe.journal import Chunk, read_journal, segment_paths
from swathe_simulators import World

__all__ = ["Kill", "journalled", "kill_in_mid_scan"]

PROMISE_MS = 50.0
"""Age of the oldest reading that a kill may cost on a computer with processors to spare."""


@dataclass(frozen=True)
class Kill:
    """What one kill cost.

    Attributes:
        age_ms: of the oldest lost reading; 0 if none is lost.
        withheld_ms: for how long something waited for a processor in the second before.
        sent: readings from the first one that the daemon received to the kill.
        doubled: readings that the journal has more than once.
    """

    age_ms: float
    withheld_ms: float
    sent: int
    doubled: int

    @property
    def allowed_ms(self) -> float:
        """The promise: 50 ms, and what the computer withheld."""
        return PROMISE_MS + self.withheld_ms


def journalled(survey: Path, port: str) -> bytes:
    """Return every byte of a port that the journal holds."""
    entries = read_journal(survey / "journal")
    return b"".join(e.data for e in entries if isinstance(e, Chunk) and e.port == port)


def kill_in_mid_scan(process: DaemonProcess, world: World, survey: Path, *, after: float) -> Kill:
    """Kill a run `after` so many seconds of journalling, and compare journal and truth."""
    opened = time.monotonic_ns()
    before = len(segment_paths(survey / "journal")) if survey.exists() else 0
    wait_for(
        lambda: (
            (survey / "survey.json").exists() and len(segment_paths(survey / "journal")) > before
        ),
        60,
        "journal and record",
    )
    withheld = Withheld()
    withheld.watch(after)
    withheld.sample()
    process.signal(signal.SIGKILL)
    killed = time.monotonic_ns()
    code, output = process.finish()
    assert code == -signal.SIGKILL, output
    held = Counter(
        line.split(b",")[1]
        for line in journalled(survey, "gauge").split(b"\r\n")
        if line.startswith(b"R,") and b"*" in line
    )
    rows = world.truth.rows("gauge")
    mine = (rows["host_time_ns"] > opened) & (rows["host_time_ns"] < killed)
    sent = rows[mine & ~rows["dropped"]]
    # Lines are unique by their clock: which of those sent in this run's time are held?
    found = [str(clock).encode() in held for clock in sent["clock_us"]]
    assert any(found), "no reading arrived before the kill"
    # From the first one that arrived on: what was sent before, its port was not open for.
    first = found.index(True)
    lost = [
        (killed - at) / 1e6
        for at, is_held in zip(sent["host_time_ns"][first:], found[first:], strict=True)
        if not is_held
    ]
    return Kill(
        age_ms=max(lost, default=0.0),
        withheld_ms=withheld.before(1.0),
        sent=len(found) - first,
        doubled=sum(count > 1 for count in held.values()),
    )
