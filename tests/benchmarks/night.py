"""A night of ten hours: how long it takes to rebuild it, and to resume it as the daemon does.

The journal is simulated, not scanned: a raster at 1,000 readings a second and an encoder at 100 Hz,
written as a live daemon writes it, some hundred MB in the given folder; a second call uses it again.
Then the survey is rebuilt from nothing. A copy is resumed as the daemon does it: first without a
checkpoint, which leaves one; then a run of a minute, the daemon's interval of checkpoints, is scanned
and killed; and the survey is resumed from the checkpoint. Both states are compared bit for bit; a
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
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.journals import Devices, Raster, run, station_text, write
from daemon.pipeline.cutting import differences, state_of
from swathe.journal import Entry, read_segment, segment_paths
from swathe.live.session import Session
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder, replay

__all__ = ["main"]

START = 10**12
MAX_RESUME_SECONDS = 5.0
FURTHER_SECONDS = 60
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


def session(survey: SurveyFolder, raster: Raster, devices: Devices, start: int) -> Session:
    """Return a session of the daemon whose clock is at the opening of a further run."""
    text = station_text(raster, devices)
    return Session(
        survey,
        parse_station(text, "bench.toml"),
        text,
        clock=lambda: start,
        wall_clock=lambda: start + 10**18,
    )


def further_run(raster: Raster, devices: Devices, begin: int, away_ns: int) -> list[Entry]:
    """Return a minute's entries after `begin` s, behind the mark that opens the run."""
    entries = run(raster, devices, begin, begin + FURTHER_SECONDS, start=START + away_ns)
    return list(islice(entries, 1, None))


def scan(into: Session, rebuilt: Pipeline, entries: list[Entry]) -> None:
    """Feed a run that has begun to a session, and the same journal to the rebuilt pipeline."""
    (opening,) = read_segment(segment_paths(into.folder.journal)[-1])
    rebuilt.feed(opening)
    for entry in entries:
        into.enter(entry)
        rebuilt.feed(entry)


def compare(what: str, one: Pipeline, other: Pipeline) -> bool:
    """Print whether two states are equal, bit for bit; return it."""
    states = [
        # What is still to be published differs: a resumed run publishes all.
        {name: value for name, value in state_of(each).items() if not name.startswith("changed")}
        for each in (one, other)
    ]
    found = list(differences(*states))
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
    os.environ["XDG_CACHE_HOME"] = str(options.folder / "cache")
    same = True
    for number, what in enumerate(("without a checkpoint", "from its checkpoint")):
        away, begins = (number + 1) * AWAY_NS, seconds + number * FURTHER_SECONDS
        begin = time.perf_counter()
        with session(copy, raster, devices, START + away + begins * 10**9) as resumed:
            resumed.resume()
            took = time.perf_counter() - begin
            print(f"resume {what}: {took:.2f} s")
            scan(resumed, rebuilt, further_run(raster, devices, begins, away))
            same &= compare("states a minute later", rebuilt, resumed.pipeline)
    fast = took < MAX_RESUME_SECONDS
    print(f"target < {MAX_RESUME_SECONDS:g} s: {'met' if fast else 'MISSED'}")
    return 0 if fast and same else 1


if __name__ == "__main__":
    sys.exit(main())
