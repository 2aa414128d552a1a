"""How long a survey takes to be resumed after a night, with a checkpoint and without one.

A night at 1,000 readings a second with an encoder at 100 Hz is journalled as a live daemon does it,
short of its last minute kept as a checkpoint, and resumed: digests of the whole journal, the state,
and the last minute. Then it is resumed from the start of the journal, and both are compared bit
for bit. The copy of the state is what a live daemon's loop waits for once a minute.

Run ``python tests/benchmarks/resume.py``; it prints figures and targets, and ends with exit code 1
if a target is missed. ``--hours`` sets the length of the night.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.journals import Devices, Raster, run
from daemon.surveys import assert_same
from swathe.journal import JournalWriter, Mark
from swathe.live.keeping import StateKeeper
from swathe.live.resumption import Resumption
from swathe.pipeline import Pipeline
from swathe.station import Station, station_in_journal
from swathe.store import CheckpointFile, SurveyFolder

__all__ = ["main"]

MAX_SECONDS, MAX_COPY_MS = 5.0, 20.0
FLUSH_ENTRIES, LAST_NS = 8, 60 * 10**9
START = 10**12


class Night:
    """A night's survey in a folder, with its checkpoint."""

    def __init__(self, path: Path, hours: float) -> None:
        self.folder = SurveyFolder(path / "survey")
        self.file = CheckpointFile(self.folder.path, "bench", cache=path / "cache")
        self.copy_ms = 0.0
        self._write(hours * 3600)

    def _write(self, seconds: float) -> None:
        entries = run(Raster.for_seconds(seconds), Devices(), 0, seconds, start=START)
        opening = next(entries)
        assert isinstance(opening, Mark)
        pipeline = Pipeline(station_in_journal(opening.detail, "bench"))
        pipeline.collect(opening)
        keeper, kept = StateKeeper(self.file), False
        keep_at = opening.time + round(seconds * 1e9) - LAST_NS
        with JournalWriter(self.folder.journal) as journal:
            journal.write(opening)
            for number, entry in enumerate(entries):
                journal.write(entry)
                if not kept:
                    pipeline.collect(entry)
                if number % FLUSH_ENTRIES:
                    continue
                journal.flush()
                if number % (FLUSH_ENTRIES << 12) == 0:
                    pipeline.advance()
                if not kept and entry.time >= keep_at:
                    kept = True
                    pipeline.advance()
                    self._keep(keeper, pipeline, journal)

    def _keep(self, keeper: StateKeeper, pipeline: Pipeline, journal: JournalWriter) -> None:
        for _ in range(2):  # the second one into memory that is there already, as live
            position, digests = journal.position(), journal.digests()
            begun = time.thread_time()
            state = keeper.take(pipeline, None, position, digests, meanwhile=True)
            self.copy_ms = (time.thread_time() - begun) * 1e3
            if state is None:  # too large for the loop to wait for: kept at a run's end only
                self.copy_ms = 0.0
                state = keeper.take(pipeline, None, position, digests, meanwhile=False)
            assert state is not None
            keeper.save(state)

    def resume(self, station: Station, file: CheckpointFile) -> tuple[Pipeline, float]:
        """Return the pipeline as a next run would have it, and how long it took, s."""
        with JournalWriter(self.folder.journal) as journal:
            begun = time.perf_counter()
            resumption = Resumption(self.folder, station, journal, file)
            resumption.replay()
            took = time.perf_counter() - begun
        journal.path.unlink()
        return resumption.pipeline, took


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=10.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as folder:
        night = Night(Path(folder), hours)
        station = night.folder.first_station()
        size = sum(path.stat().st_size for path in night.folder.journal.iterdir()) / 1e6
        assert night.file.path is not None
        kept = night.file.path.stat().st_size / 1e6
        resumed, seconds = night.resume(station, night.file)
        none = CheckpointFile(night.folder.path, "none", cache=Path(folder) / "none")
        whole, whole_seconds = night.resume(station, none)
        assert_same(resumed, whole)
    table = Table("what", "value", "target", title=f"{hours:g} h, {whole.readings:,} readings")
    table.add_row("journal", f"{size:,.0f} MB", "")
    table.add_row("checkpoint", f"{kept:,.1f} MB", "")
    copy = f"{night.copy_ms:.1f} ms" if night.copy_ms else "none: at the end only"
    table.add_row("copy of the state, while the loop waits", copy, f"<= {MAX_COPY_MS:g} ms")
    table.add_row("resumed with the checkpoint", f"{seconds:.2f} s", f"< {MAX_SECONDS:g} s")
    table.add_row("resumed without it", f"{whole_seconds:.1f} s", "")
    Console().print(table)
    return int(seconds >= MAX_SECONDS or night.copy_ms > MAX_COPY_MS)


if __name__ == "__main__":
    sys.exit(main())
