"""A night of ten hours: how long it takes to rebuild it, and to resume it as the daemon does.

The journal is simulated, not scanned: a raster at 1,000 readings a second and an encoder at 100 Hz,
written as a live daemon writes it, some hundred MB in the given folder; a second call uses it again.
Then the survey is rebuilt from nothing, and resumed, and both states are compared bit for bit; a
further run is fed to both, and they are compared again.

Run ``python tests/benchmarks/night.py FOLDER``; it prints the figures with the machine's limits next
to them, and ends with exit code 1 if resuming takes too long or a state differs.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.journals import Devices, Raster, run, station_text, write
from daemon.pipeline.cutting import differences, state_of
from swathe.journal import Entry, Mark, MarkKind, read_segment, segment_paths
from swathe.live.session import Session
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder, replay

__all__ = ["main"]

START = 10**12
MAX_RESUME_SECONDS = 5.0
CONTINUED_SECONDS = 60
AWAY_NS = 600 * 10**9


def write_night(folder: Path, raster: Raster, devices: Devices, seconds: int) -> SurveyFolder:
    """Write the night's journal, if it is not there; the run has no end, as after a kill."""
    survey = SurveyFolder(folder)
    text = station_text(raster, devices)
    if survey.begun:
        first = next(survey.openings())
        if first.detail["station"] != text:
            message = f"{folder}: holds another night; give another folder"
            raise SystemExit(message)
        return survey
    begin = time.perf_counter()

    def report(entries: int) -> None:
        took = time.perf_counter() - begin
        print(f"\rwriting: {entries:,} entries in {took:.0f} s", end="", flush=True)

    write(folder, run(raster, devices, 0, seconds, start=START), report=report)
    print()
    return survey


def limits(survey: SurveyFolder) -> str:
    """Return the machine's limits: cores, memory, and the speed at which the journal is read."""
    paths = segment_paths(survey.journal)
    size = sum(path.stat().st_size for path in paths)
    for path in paths:
        with path.open("rb") as stream:
            os.fsync(stream.fileno())
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    begin = time.perf_counter()
    for path in paths:
        with path.open("rb") as stream:
            while stream.read(1 << 22):
                pass
    took = time.perf_counter() - begin
    model = platform.processor() or platform.machine()
    cpus = Path("/proc/cpuinfo")
    if cpus.exists():
        names = [line for line in cpus.read_text().splitlines() if line.startswith("model name")]
        model = names[0].partition(":")[2].strip() if names else model
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    return (
        f"{os.cpu_count()} cores, {model}, {memory:.0f} GB; load {os.getloadavg()[0]:.1f}\n"
        f"journal of {len(paths)} files, {size / 1e6:,.0f} MB, read from the disk in {took:.2f} s"
        f" ({size / took / 1e6:,.0f} MB/s)"
    )


def linked(survey: SurveyFolder, folder: Path) -> SurveyFolder:
    """Return a survey with the same journal files, to which runs can be added."""
    shutil.rmtree(folder, ignore_errors=True)
    copy = SurveyFolder(folder)
    copy.journal.mkdir(parents=True)
    for path in segment_paths(survey.journal):
        os.link(path, copy.journal / path.name)
    return copy


def session(survey: SurveyFolder, raster: Raster, devices: Devices, at: int) -> Session:
    """Return a session of the daemon whose clock is at `at` ns."""
    text = station_text(raster, devices)
    return Session(
        survey,
        parse_station(text, "bench.toml"),
        text,
        clock=lambda: at,
        wall_clock=lambda: at + 10**18,
    )


def further_run(raster: Raster, devices: Devices, seconds: int) -> Iterator[Entry]:
    """Yield a run's entries after its opening, with its end, host times as `session` has them."""
    last = 0
    for entry in run(raster, devices, seconds, seconds + CONTINUED_SECONDS, start=START + AWAY_NS):
        last = entry.time
        if not (isinstance(entry, Mark) and entry.kind is MarkKind.OPENED):
            yield entry
    yield Mark(last, MarkKind.ENDED, {"status": "incomplete", "reason": ""})


def compare(what: str, one: Pipeline, other: Pipeline) -> bool:
    """Print whether two states are equal, bit for bit; return it."""
    found = list(differences(state_of(one), state_of(other)))
    print(f"{what}: {'equal, bit for bit' if not found else f'{len(found)} DIFFERENCES'}")
    for line in found[:5]:
        print(f"  {line}")
    return not found


def main(arguments: list[str] | None = None) -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="A night of ten hours, rebuilt and resumed.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--rate", type=int, default=1_000, help="readings a second")
    options = parser.parse_args(arguments)
    seconds = round(3600 * options.hours)
    raster, devices = Raster.for_seconds(seconds), Devices(gauge_hz=options.rate)
    night = write_night(options.folder / "night", raster, devices, seconds)
    print(limits(night))

    begin = time.perf_counter()
    rebuilt = replay(night)
    took = time.perf_counter() - begin
    print(
        f"rebuild: {took:.1f} s for {rebuilt.readings:,} readings, {seconds / took:,.0f} × real time;"
        f" {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB at most"
    )

    copy = linked(night, options.folder / "resumed")
    at = START + AWAY_NS + seconds * 10**9
    begin = time.perf_counter()
    with session(copy, raster, devices, at) as resumed:
        took = time.perf_counter() - begin
        fast = took < MAX_RESUME_SECONDS
        verdict = "met" if fast else "MISSED"
        print(f"resume: {took:.2f} s, target < {MAX_RESUME_SECONDS:g} s: {verdict}")
        (opening,) = read_segment(segment_paths(copy.journal)[-1])
        rebuilt.feed(opening)
        same = compare("states as the next run opens", rebuilt, resumed.pipeline)
        for entry in further_run(raster, devices, seconds):
            resumed.enter(entry)
            rebuilt.feed(entry)
        same &= compare(
            f"states after a further run of {CONTINUED_SECONDS} s", rebuilt, resumed.pipeline
        )
    return 0 if fast and same else 1


if __name__ == "__main__":
    sys.exit(main())
