"""The files of a journal: which there are, which belong to it, and in which order."""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from mcap.exceptions import McapError

from swathe.errors import JournalError
from swathe.journal.damage import Damage, DamageKind
from swathe.journal.decoder import EntryDecoder, numbers_of
from swathe.journal.entries import Mark, MarkKind
from swathe.journal.identity import SegmentIdentity
from swathe.journal.records import identities, whole_blocks
from swathe.object_storage import files_of

__all__ = [
    "Segment",
    "SegmentList",
    "next_segment_number",
    "opening_marks",
    "segment_of",
    "segment_paths",
    "segments_of",
]

_MOST_KEPT = 4096


class Segment(NamedTuple):
    """A file of a journal.

    Attributes:
        path: of the file.
        number: of the file in the journal, by what it states itself, otherwise by its name.
        identity: what it states of itself; None where that is lost, and of an earlier version.
        survey: identity of its survey; empty where that is not known.
        chunks: whether it has a whole chunk.
    """

    path: Path
    number: int
    identity: SegmentIdentity | None
    survey: str
    chunks: bool


class SegmentList(NamedTuple):
    """The files of a journal.

    Attributes:
        segments: those that are read, by number.
        damage: of files that are missing, foreign, doubled or have another's name.
    """

    segments: tuple[Segment, ...]
    damage: tuple[Damage, ...]


def segment_paths(folder: Path) -> list[Path]:
    """Return the journal files in `folder`, by name."""
    return sorted(folder.glob("[0-9][0-9][0-9][0-9].mcap"))


def next_segment_number(folder: Path) -> int:
    """Return the number of the next file of a journal."""
    paths = segment_paths(folder)
    numbers = [int(path.stem) for path in paths]
    return max([0, *numbers, *(segment_of(path).number for path in paths)]) + 1


def segment_of(path: Path) -> Segment:
    """Return what a journal file is.

    Raises:
        JournalError: it cannot be read.
    """
    try:
        found = path.stat()
        return _segment_of(path, found.st_ino, found.st_size, found.st_mtime_ns)
    except OSError as error:
        raise JournalError(path, f"cannot be read: {error.strerror}") from error


@lru_cache(_MOST_KEPT)
def _segment_of(path: Path, _inode: int, _size: int, _changed: int) -> Segment:
    number = int(path.stem) if path.stem.isdecimal() else 0
    chunks, survey = False, ""
    begun: list[SegmentIdentity] = []
    with files_of(path.parent).open(path.name) as stream:
        blocks = whole_blocks(stream, bytes, _ignore, on_identity=begun.append)
        for _, block in blocks:
            chunks = True
            if not begun and numbers_of(block).chunk:
                begun += identities(stream)  # the one at the start is damaged
            if not begun and (opening := _opening_in(block)) is not None:
                survey = str(opening.detail.get("survey", ""))
            break
    if begun:
        identity = begun[-1]
        return Segment(path, identity.segment, identity, identity.survey or survey, chunks)
    return Segment(path, number, None, survey, chunks)


def opening_marks(folder: Path) -> Iterator[Mark]:
    """Yield the mark that opens each run of a journal, oldest first, also from the copies.

    Raises:
        JournalError: a file cannot be read.
    """
    run = 0
    for segment in segments_of(folder).segments:
        if segment.identity is not None:
            opened = segment.identity.opened
            if opened is not None and segment.identity.run != run:
                run = segment.identity.run
                yield Mark(opened.time, MarkKind.OPENED, opened.detail)
            continue
        with files_of(folder).open(segment.path.name) as stream:
            for _, block in whole_blocks(stream, bytes, _ignore):
                if (mark := _opening_in(block)) is not None:
                    yield mark
                break


def _opening_in(block: bytes) -> Mark | None:
    """Return the mark with which a chunk opens a run; None if it does not."""
    try:
        entries = EntryDecoder(_ignore).decode(block)
    except (McapError, EOFError, ValueError, struct.error):
        return None
    first = entries[0] if entries else None
    return first if isinstance(first, Mark) and first.kind is MarkKind.OPENED else None


def segments_of(folder: Path) -> SegmentList:
    """Return the files of a journal, and what is damaged of them as files.

    The survey is that of most files. A file is read where its own number places it.

    Raises:
        JournalError: a file cannot be read.
    """
    found = [segment_of(path) for path in segment_paths(folder)]
    files = {(segment.survey, segment.number) for segment in found if segment.survey}
    known = Counter(survey for survey, _ in sorted(files, key=lambda one: one[::-1]))
    survey = known.most_common(1)[0][0] if known else ""
    damage: list[Damage] = []
    placed: dict[int, Segment] = {}
    # Of two with one number, that with its name is the original.
    for segment in sorted(found, key=lambda one: (_misnamed(one), one.path)):
        if segment.survey not in ("", survey):
            text = f"is of another survey ({segment.survey}): it is not read"
            damage.append(_of_file(segment, DamageKind.FOREIGN, text))
        elif segment.number in placed:
            other = placed[segment.number].path.name
            text = f"is {other} a second time: it is not read"
            damage.append(_of_file(segment, DamageKind.DOUBLED, text))
        else:
            placed[segment.number] = segment
            if _misnamed(segment):
                text = f"is file {segment.number} of the journal by what it states: read as that"
                damage.append(_of_file(segment, DamageKind.REORDERED, text))
    for number in range(1, max(placed, default=0)):
        if number not in placed:
            name = f"{number:04d}.mcap"
            text = "is missing: all that it held is lost, readings and marks"
            damage.append(Damage(number, name, DamageKind.MISSING, text, marks_lost=True))
    segments = tuple(placed[number] for number in sorted(placed))
    if any(segment.identity is not None for segment in segments):
        then = {one.previous[:2] for one in _identities_of(segments) if one.previous is not None}
        damage += [
            Damage(
                segment.number,
                segment.path.name,
                DamageKind.CUT,
                "holds nothing that can be read: all that it held is lost, readings and marks",
                end=segment.path.stat().st_size,
                marks_lost=True,
            )
            for segment in segments
            if segment.identity is None
            and not segment.chunks
            and (segment.number, segment.path.stat().st_size) not in then
        ]
    damage.sort(key=lambda one: (one.segment, one.file, one.kind))
    return SegmentList(segments, tuple(damage))


def _identities_of(segments: Iterable[Segment]) -> Iterator[SegmentIdentity]:
    return (one.identity for one in segments if one.identity is not None)


def _misnamed(segment: Segment) -> bool:
    return segment.path.stem != f"{segment.number:04d}"


def _of_file(segment: Segment, kind: DamageKind, text: str) -> Damage:
    size = segment.path.stat().st_size
    number = segment.number
    if kind is DamageKind.FOREIGN:
        number = int(segment.path.stem)
    unplaced = 0 if kind is DamageKind.REORDERED else size
    return Damage(number, segment.path.name, kind, text, end=size, unplaced=unplaced)


def _ignore(_message: object) -> None:
    return None
