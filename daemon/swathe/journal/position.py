"""Where in a journal something is, and the digest of the bytes before it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from swathe.object_storage import files_of

__all__ = ["Channels", "JournalPosition", "SegmentDigest", "channel_of", "segment_digests"]

Channels = Mapping[int, tuple[str, str]]
"""By channel number: what its messages are, and of which port; ``("", "")`` is of a later version."""

_BLOCK_BYTES = 1 << 20


class JournalPosition(NamedTuple):
    """Where reading a journal resumes.

    Attributes:
        segment: number of the file; 0 before the first one.
        offset: bytes of it that were read: a record begins here.
        channels: those that the file has named so far.
        chunk: number of its last chunk that was read.
        marks: marks and port changes of the file so far, modulo 4096.
        run: number of the run; 0 before the first one.
        unknown: whether marks were lost in this run, so that its later bytes belong to no cell.
    """

    segment: int
    offset: int
    channels: Channels
    chunk: int = 0
    marks: int = 0
    run: int = 0
    unknown: bool = False


class SegmentDigest(NamedTuple):
    """SHA-256 of the first `size` bytes of the journal file number `segment`, as hex digits."""

    segment: int
    size: int
    digest: str


def channel_of(topic: str) -> tuple[str, str]:
    """Return what the messages of a channel are, and of which port."""
    kind, slash, port = topic.partition("/")
    if slash:
        known = kind == "port" or (bool(port) and kind in ("sent", "unanswered"))
    else:
        known = kind in ("tick", "port-state", "mark")
    return (kind, port) if known else ("", "")


def segment_digests(
    path: Path, size: int | None = None, *, number: int | None = None
) -> tuple[SegmentDigest, SegmentDigest]:
    """Return the digest of the first `size` bytes of a journal file, and that of all of it.

    Args:
        path: the file.
        size: the whole file without one; the first digest is of fewer bytes if it has no more.
        number: of the file; by default that of its name.

    Raises:
        OSError: it cannot be read.
    """
    digest, done = hashlib.sha256(), 0
    first: SegmentDigest | None = None
    number = int(path.stem) if number is None else number
    with files_of(path.parent).open(path.name) as stream:
        while True:
            most = _BLOCK_BYTES if first or size is None else min(size - done, _BLOCK_BYTES)
            block = stream.read(most)
            digest.update(block)
            done += len(block)
            if first is None and done == size:
                first = SegmentDigest(number, done, digest.hexdigest())
            elif not block:
                whole = SegmentDigest(number, done, digest.hexdigest())
                return first or whole, whole
