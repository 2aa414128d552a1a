"""A small survey of three runs, and ways to damage its journal.

The station file of the second run has another scale, and the third sets the position anew in the
middle: bytes that are decoded with another run's file, or without a mark that was lost, are placed
in a wrong cell. Each reading has a thickness of its own, by which it is found again.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from daemon.handmade import INDEX_STEPPED, MS, START, UTC, Motion, ended, opened, port, station_text
from swathe.errors import SurveyError
from swathe.journal import Damage, Entry, JournalWriter, Mark, MarkKind, segment_paths
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.store import SurveyFolder, replay

__all__ = ["Result", "damage_at_random", "result_of", "runs", "write_survey"]

_LINES = 3
_LINE_MS = 600
_RUN_MS = _LINES * _LINE_MS
_FLUSH_MS = 40
_INDEX = INDEX_STEPPED.format(length=_LINES - 1, advance="command")
_SECOND = "counts_per_mm = 25"


def _station(number: int) -> str:
    text = station_text(index=_INDEX, scan_length=20)
    return text.replace("counts_per_mm = 10", _SECOND) if number == 1 else text


def _position(ms: int) -> float:
    """Return the position after `ms` of a run: along each line and back on the next one, mm."""
    line, along = divmod(ms, _LINE_MS)
    along -= min(max(along - 250, 0), 150)  # at rest for 150 ms
    share = min(max((along - 50) / (_LINE_MS - 250), 0.0), 1.0)
    return 20 * (share if line % 2 == 0 else 1 - share)


def runs(seed: int = 0) -> list[list[Entry]]:
    """Return the entries of each run, in order of time.

    Args:
        seed: which survey: another one has the same shape and other thicknesses.
    """
    return [_run(number, seed) for number in range(3)]


def _run(number: int, seed: int) -> list[Entry]:
    half = _RUN_MS // 2

    def place(ms: int) -> tuple[float]:
        counts = _position(ms) * (2.5 if number == 1 else 1)
        if number == 2 and ms >= half:
            counts += 3.7  # the counter was turned in a hand
        return (counts,)

    def wall(ms: int) -> float:
        return 5 + 3 * number + ms * 0.0005 + seed

    motion = Motion(place, wall, 1, _RUN_MS)
    begin = number * 100_000 * MS
    entries: list[Entry] = [opened(_station(number), utc=UTC + begin, survey=f"s-{seed}")]
    entries += [port(0, "encoder", "open"), port(0, "gauge", "open")]
    for entry in motion.entries():
        ms = (entry.time - START) // MS
        for line in range(_LINES):
            if ms > line * _LINE_MS and not _has_line(entries, line):
                detail = {"line": line, "by": "crawler"}
                entries.append(Mark(entry.time, MarkKind.LINE, detail))
        entries.append(entry)
    if number:
        at = next(k for k, entry in enumerate(entries) if entry.time > START + 100 * MS)
        took = {"axes": [], "line": 0, "paused": None}
        entries.insert(at, Mark(START + 100 * MS, MarkKind.INHERITED, took))
    if number == 2:
        at = next(k for k, entry in enumerate(entries) if entry.time >= START + half * MS)
        time = START + half * MS
        pause = Mark(time, MarkKind.PAUSED, {"by": "hand", "because": "counter"})
        entries.insert(at, pause)
        back = next(k for k, e in enumerate(entries) if e.time > time + 60 * MS)
        later = time + 60 * MS
        where = {"scan": _position(half + 60), "by": "hand", "mark": ""}
        entries[back:back] = [
            Mark(later, MarkKind.REFERENCED, where),
            Mark(later, MarkKind.RESUMED, {"by": "hand"}),
        ]
    return [*entries, ended(START + (_RUN_MS + 10) * MS)]


def _has_line(entries: list[Entry], line: int) -> bool:
    return any(
        isinstance(entry, Mark) and entry.kind is MarkKind.LINE and entry.detail["line"] == line
        for entry in entries
    )


def write_survey(path: Path, seed: int = 0) -> SurveyFolder:
    """Write the journal of a survey as a live run does, one file for each run."""
    folder = SurveyFolder(path)
    for entries in runs(seed):
        with JournalWriter(folder.journal, wall_clock=lambda: UTC) as writer:
            flushed = entries[0].time
            writer.write(entries[0])
            writer.flush()
            for entry in entries[1:]:
                writer.write(entry)
                if entry.time - flushed >= _FLUSH_MS * MS:
                    writer.flush()
                    flushed = entry.time
    return folder


@dataclass
class Result:
    """What a replay made of a journal.

    Attributes:
        cells: cell by reading, which is its thickness in 10 nm.
        damage: as the survey lists it.
        reports: texts of what was found, cut-off ends included.
        error: why there is no survey; empty where there is one.
    """

    cells: dict[int, tuple[int, int]] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)
    reports: list[str] = field(default_factory=list)
    error: str = ""

    def placed(self, placed: Placed) -> None:
        """Take the cells of readings."""
        scan, index = placed.scan.round().astype(int), placed.index.round().astype(int)
        keys = (placed.readings["thickness"].astype(float) * 1e5).round().astype(int)
        for key, cell in zip(
            keys.tolist(), zip(scan.tolist(), index.tolist(), strict=True), strict=True
        ):
            assert self.cells.setdefault(key, cell) == cell, "a reading is placed twice"

    def moved_along(self, path: ProbePath) -> None:
        """Take no note of the path."""

    def delay_changed(self) -> None:
        """Take no note of delays."""


def result_of(folder: SurveyFolder) -> Result:
    """Return what a replay makes of a survey's journal."""
    result = Result()
    try:
        pipeline = replay(
            folder, observer=result, on_torn=lambda _, text: result.reports.append(text)
        )
    except SurveyError as error:
        result.error = str(error)
        return result
    result.damage = pipeline.losses.sorted_damage
    return result


_BYTES = ("flip", "flip", "flip", "overwrite", "cut", "insert", "remove bytes")
_FILES = ("delete", "empty", "double", "swap", "replace")


def damage_at_random(folder: SurveyFolder, other: SurveyFolder, rng: Random) -> list[str]:
    """Damage a journal in one to three ways; return them as texts.

    A file of another survey is one of four: it is not the survey that most files are of.

    Args:
        folder: the survey.
        other: another survey, for a foreign file.
        rng: decides.
    """
    number = rng.choice((1, 1, 1, 2, 3))
    if rng.random() < 0.1:
        name = f"{len(segment_paths(folder.journal)) + 1:04d}.mcap"
        shutil.copyfile(rng.choice(segment_paths(other.journal)), folder.journal / name)
        return ["foreign", *(_damage(folder, rng.choice(_BYTES), rng) for _ in range(number - 1))]
    return [_damage(folder, rng.choice((*_BYTES, *_FILES)), rng) for _ in range(number)]


def _damage(folder: SurveyFolder, way: str, rng: Random) -> str:
    paths = segment_paths(folder.journal)
    path, last = rng.choice(paths), int(paths[-1].stem)
    data = bytearray(path.read_bytes())
    at = rng.randrange(max(len(data), 1))
    size = rng.choice((1, 8, 100, 512, 4096))
    name = f"{way} {path.name} at {at} of {len(data)}, {size} bytes"
    match way:
        case "flip" if data:
            data[at] ^= 1 << rng.randrange(8)
            path.write_bytes(data)
        case "overwrite":
            data[at : at + size] = rng.choice((bytes(size), rng.randbytes(size)))[: len(data) - at]
            path.write_bytes(data)
        case "cut":
            path.write_bytes(data[:at])
        case "insert":
            path.write_bytes(data[:at] + rng.randbytes(size) + data[at:])
        case "remove bytes":
            path.write_bytes(data[:at] + data[at + size :])
        case "delete" if path != paths[-1]:  # that the last one is gone, no journal shows
            path.unlink()
        case "empty":
            path.write_bytes(b"")
        case "double":
            shutil.copyfile(path, folder.journal / f"{last + 1:04d}.mcap")
        case "swap" if len(paths) > 1:
            first, second = rng.sample(paths, 2)
            one, two = first.read_bytes(), second.read_bytes()
            first.write_bytes(two)
            second.write_bytes(one)
            name = f"swap {first.name} and {second.name}"
        case "replace" if len(paths) > 1:
            first, second = rng.sample(paths, 2)
            second.write_bytes(first.read_bytes())
            name = f"{second.name} is {first.name}"
    return name
