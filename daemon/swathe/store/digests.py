"""Digests of the files that are derived from a survey's journal: ``digests.jsonl``.

The file is a log. A line gives what is about to be written, and a later one the SHA-256 digests of
what was written, so that a file which a kill left half way between two states is not taken for a
damaged one: it is *unfinished*. Each line begins with the digest of itself and all lines before
it. A last line that was cut off does not count; a line that does not match its digest makes the
whole log unusable. The log is written again as one line when it has grown, and when a writer begins.

Digests show that a file is the one that Swathe wrote. They do not show who wrote it: whoever can
write a file can write its digest. A signed manifest does (`swathe.store.manifest`), and the journal,
from which all of it can be computed again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, BinaryIO, NamedTuple

from swathe.journal import SegmentDigest
from swathe.safe_files import SafeFolder, is_dense_json

__all__ = [
    "DIGESTS",
    "SEED",
    "TURNS",
    "DigestDraft",
    "Digests",
    "FileDigest",
    "FileFault",
    "FileFaultKind",
    "chained",
    "digest_of_file",
    "journal_faults",
    "read_digests",
]

DIGESTS = "digests.jsonl"

TURNS = 5
"""How often a file is compared with its digest, read again each time, before it is called damaged.

A writer announces a file before it replaces it, so that digests which are read after the file know of
it; only one that is replaced twice meanwhile is read again.
"""

SEED = hashlib.sha256(b"swathe digests 1").hexdigest()
"""From which the first line's digest is computed."""

_MOST_BYTES = 96 << 20
_HEX = len(SEED)
_BLOCK = 1 << 20


class FileDigest(NamedTuple):
    """Size and SHA-256, as hex digits, of a file."""

    size: int
    sha256: str

    @classmethod
    def of(cls, data: bytes | memoryview) -> FileDigest:
        """Return the digest of contents."""
        return cls(len(data), hashlib.sha256(data).hexdigest())


class FileFaultKind(StrEnum):
    """Why a derived file is not verified."""

    CHANGED = "changed"
    MISSING = "missing"
    FOREIGN = "foreign"
    UNFINISHED = "unfinished"
    UNKNOWN = "unknown"

    @property
    def is_damage(self) -> bool:
        """Whether the file is known not to be what was written."""
        return self in (FileFaultKind.CHANGED, FileFaultKind.MISSING, FileFaultKind.FOREIGN)


@dataclass(frozen=True, slots=True)
class FileFault:
    """A derived file that is not verified.

    Attributes:
        name: of the file in the survey's folder.
        kind: of the fault.
        text: what it is, as the rest of a sentence about the file.
    """

    name: str
    kind: FileFaultKind
    text: str

    def __str__(self) -> str:
        return f"{self.name} {self.text}"


_TEXTS = {
    FileFaultKind.CHANGED: "is not the file that was written: its SHA-256 differs",
    FileFaultKind.MISSING: "is missing",
    FileFaultKind.FOREIGN: "was not written by Swathe",
    FileFaultKind.UNFINISHED: "was being written when its writer ended without a word",
}


@dataclass(frozen=True)
class Digests:
    """What a survey's derived files should be.

    Attributes:
        files: digest by name, relative to the survey's folder.
        writing: names that were about to be written last, without a word that they were; one that
            ends in ``/`` means all below it.
        journal: digest of the first bytes of each journal file, by number.
        options: of the rebuild that wrote the files; empty of a run and of a rebuild without any.
        problem: why nothing is known, as the rest of a sentence about the log; empty if it is.
    """

    files: Mapping[str, FileDigest] = field(default_factory=dict)
    writing: tuple[str, ...] = ()
    journal: Mapping[int, SegmentDigest] = field(default_factory=dict)
    options: str = ""
    problem: str = ""

    def fault(self, name: str, data: bytes | None) -> FileFault | None:
        """Return what is wrong with a derived file; None if it is the one that was written.

        Args:
            name: relative to the survey's folder.
            data: its contents; None if there is no such file.
        """
        return self.fault_of(name, None if data is None else FileDigest.of(data))

    def fault_of(self, name: str, found: FileDigest | None) -> FileFault | None:
        """Return what `fault` does, of a file with this digest."""
        if self.problem:
            kind, text = FileFaultKind.UNKNOWN, f"is not verified: {DIGESTS} {self.problem}"
            return FileFault(name, kind, text)
        expected = self.files.get(name)
        if expected == found:
            return None
        if self.is_unfinished(name):
            kind = FileFaultKind.UNFINISHED
        elif found is None:
            kind = FileFaultKind.MISSING
        elif expected is None:
            kind = FileFaultKind.FOREIGN
        else:
            kind = FileFaultKind.CHANGED
        return FileFault(name, kind, _TEXTS[kind])

    def is_unfinished(self, name: str) -> bool:
        """Return whether a file was about to be written last."""
        name = name.removesuffix(".partial")
        return any(
            name == one or (one.endswith("/") and name.startswith(one)) for one in self.writing
        )


def read_digests(folder: SafeFolder) -> Digests:
    """Return the digests of a survey; where there are none, `Digests.problem` gives the reason."""
    return _read(folder)[0]


def _read(folder: SafeFolder) -> tuple[Digests, int]:
    """Return the digests, and the size of the log."""
    try:
        data = folder.read(DIGESTS, limit=_MOST_BYTES)
    except FileNotFoundError:
        return Digests(problem="is missing"), 0
    except OSError as error:
        return Digests(problem=f"cannot be read: {error.strerror}"), 0
    draft, chain = DigestDraft(), SEED
    lines = data.split(b"\n")
    for number, line in enumerate(lines[:-1], 1):  # what follows the last line's end was cut off
        chain = chained(chain, line[_HEX + 1 :])
        try:
            if line[: _HEX + 1] != chain.encode() + b" " or is_dense_json(line):
                raise ValueError
            draft.apply(json.loads(line[_HEX + 1 :]))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return Digests(problem=f"is damaged in line {number}"), len(data)
    if len(lines) == 1:
        return Digests(problem="has no whole line"), len(data)
    return draft.state, len(data)


def chained(chain: str, body: bytes) -> str:
    """Return the digest of a line and all before it."""
    return hashlib.sha256(chain.encode() + body).hexdigest()


class DigestDraft:
    """Digests while lines of a log are applied to them.

    Args:
        state: to begin with.
    """

    def __init__(self, state: Digests | None = None) -> None:
        state = state or Digests()
        self._files = dict(state.files)
        self._writing = list(state.writing)
        self._journal = dict(state.journal)
        self._options = state.options

    @property
    def state(self) -> Digests:
        """The digests after the lines so far; a later line changes them."""
        return Digests(self._files, tuple(self._writing), self._journal, self._options)

    def apply(self, line: Mapping[str, Any]) -> None:
        """Apply a line.

        Raises:
            Exception: it is none, as reading what it lacks raises it.
        """
        kind = line["kind"]
        if kind == "whole":
            self.__init__()  # type: ignore[misc]
        elif kind not in ("writing", "written"):
            raise ValueError
        if kind == "writing":
            self._writing += map(str, line["files"])
            return
        for name, one in line["files"].items():
            if one is None:
                self._files.pop(name, None)
            else:
                self._files[str(name)] = FileDigest(int(one[0]), str(one[1]))
        done = {*map(str, line.get("began", ())), *line["files"]}
        below = tuple(name for name in done if name.endswith("/"))
        self._writing = [
            one
            for one in self._writing
            if one not in done and not (below and one.startswith(below))
        ]
        self._writing += map(str, line.get("writing", ()))
        self._journal |= _segments(line["journal"])
        self._options = str(line["options"])


def _segments(listed: Sequence[Sequence[Any]]) -> dict[int, SegmentDigest]:
    return {int(one[0]): SegmentDigest(int(one[0]), int(one[1]), str(one[2])) for one in listed}


def journal_faults(folder: SafeFolder, digests: Digests) -> dict[int, str]:
    """Return what is wrong with the journal files of a survey, by their numbers.

    A file that has grown since is whole: only the bytes of which there is a digest are compared.
    """
    found: dict[int, str] = {}
    for number, expected in sorted(digests.journal.items()):
        name = f"journal/{number:04d}.mcap"
        try:
            with folder.open(name) as stream:
                size, digest = _hashed(stream, expected.size)
        except OSError as error:
            found[number] = "is missing" if isinstance(error, FileNotFoundError) else str(error)
            continue
        if size < expected.size:
            found[number] = f"was cut to {size:,} of {expected.size:,} bytes"
        elif digest != expected.digest:
            found[number] = f"was changed within its first {size:,} bytes: their SHA-256 differs"
    return found


def digest_of_file(folder: SafeFolder, name: str) -> FileDigest | None:
    """Return the digest of a file; None if there is none.

    Raises:
        OSError: it cannot be read.
    """
    try:
        with folder.open(name) as stream:
            return FileDigest(*_hashed(stream, None))
    except FileNotFoundError:
        return None


def _hashed(stream: BinaryIO, most: int | None) -> tuple[int, str]:
    """Return how many bytes there are, up to `most`, and their SHA-256."""
    digest, size = hashlib.sha256(), 0
    while block := stream.read(_BLOCK if most is None else min(_BLOCK, most - size)):
        digest.update(block)
        size += len(block)
    return size, digest.hexdigest()
