"""Sending what is new in a survey's folder to its copy, and verifying the copy.

While a run goes on the journal comes first. The file that still grows is sent in pieces,
``journal/0001.mcap.pieces/OFFSET``, and whole once the next one has begun; then the pieces are removed.
What is derived from the journal follows, and ``digests.jsonl`` last of all: while a run goes on the copy has
one that states that these files are being written, so that whoever reads the copy of a run that
never ended takes none of them for the final one, nor for damaged.
"""

from __future__ import annotations

import hashlib
import json
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from swathe.copying.target import CopyTarget, copied_names
from swathe.object_storage.paths import PIECES
from swathe.object_storage.stores import PART_BYTES, StoredObject
from swathe.safe_files import SafeFolder
from swathe.store.digests import DIGESTS, chained, read_digests

__all__ = ["CopyStatus", "Uploader"]

_PIECE_BYTES = 4 << 20
_SEGMENT = re.compile(r"journal/(\d{4})\.mcap")
# Before what differs is sent again, s.
_PAUSES = (0.2, 1.0)
_DERIVED = ("survey.zarr/", "survey.json", "thickness.png")


@dataclass
class CopyStatus:
    """What is known of a copy.

    Attributes:
        files: of the survey that the copy has as they are.
        sent: bytes that were sent.
        waiting: bytes that are to be sent, as of the last look at the folder.
        differs: names of files that differ, once the copy was verified.
        verified: whether every file was read back and has the digest of the original.
    """

    files: int = 0
    sent: int = 0
    waiting: int = 0
    differs: tuple[str, ...] = ()
    verified: bool = False


class _Seen(NamedTuple):
    """A file as it was when it was sent."""

    inode: int
    size: int
    changed: int


class Uploader:
    """Keeps the copy of one survey; nothing is written in the survey.

    Memory does not grow with the survey but by some 200 bytes a file: at most two parts of 8 MB, and one
    file or piece of less, are held.

    Args:
        root: the survey's folder.
        target: of the copy.
        stop: asked between two files whether to end early.

    Attributes:
        status: what is known of the copy.
        look_seconds: how long the last look at the folder took.
    """

    def __init__(
        self, root: Path, target: CopyTarget, *, stop: Callable[[], bool] = lambda: False
    ) -> None:
        self._files = SafeFolder(root)
        self._target = target
        self._stop = stop
        self._sent: dict[str, _Seen] = {}
        self._remote: dict[str, StoredObject] | None = None
        self._pieces: dict[str, dict[int, int]] = {}
        self._marked = False
        self._distrusted: set[str] = set()  # what was read back otherwise, whatever its tag
        self.status = CopyStatus()
        self.look_seconds = 0.0

    def send_new(self, *, ended: bool) -> None:
        """Send what is new.

        Args:
            ended: whether nobody writes to the survey any more.

        Raises:
            StorageError: the storage cannot be reached; what was sent is not sent again.
            OSError: a file of the survey cannot be read.
        """
        if self._remote is None or ended:
            # A piece that the storage took as the link was lost is known from there alone.
            self._look()
        begun = time.monotonic()
        found = {name: seen for name in self._names() if (seen := self._seen(name)) is not None}
        self.look_seconds = time.monotonic() - begun
        if not ended:
            found.pop(DIGESTS, None)
        segments = [name for name in found if _SEGMENT.fullmatch(name)]
        growing = "" if ended or not segments else segments[-1]
        pending = [
            name for name in found if name != growing and found[name] != self._sent.get(name)
        ]
        pending = [
            name for name in pending if name in segments or not self._as_is(name, found[name])
        ]
        behind = self._tail(growing, found[growing].size) if growing else 0
        self.status.waiting = behind + sum(found[name].size for name in pending)
        for name in segments:
            if name in pending and not self._stop():
                self._send_segment(name, found[name])
            elif ended and self._end_of_pieces(name) <= found[name].size:
                self._remove_pieces(name)
        if growing:
            self._send_tail(growing, found[growing].size)
        others = [name for name in pending if name not in segments and name != DIGESTS]
        if others and not ended:
            self._mark()
        for name in others:
            if self._stop():
                return
            self._send(name, found[name])
        if DIGESTS in pending:
            self._send(DIGESTS, found[DIGESTS])
        if ended:
            self._remove_derived(set(found))
        self.status.files = sum(self._sent.get(name) == seen for name, seen in found.items())

    def _names(self) -> list[str]:
        return list(copied_names(self._files.root))

    def _seen(self, name: str) -> _Seen | None:
        try:
            found = self._files.path(name).stat(follow_symlinks=False)
        except FileNotFoundError:
            return None
        return _Seen(found.st_ino, found.st_size, found.st_mtime_ns)

    def _look(self) -> None:
        """Find out what the copy has."""
        remote: dict[str, StoredObject] = {}
        self._pieces = {}
        for one in self._target.bucket.below(self._target.prefix):
            name = self._target.name(one.key)
            whole, pieces, offset = name.partition(f"{PIECES}/")
            if pieces and offset.isdecimal():
                self._pieces.setdefault(whole, {})[int(offset)] = one.size
            else:
                remote[name] = one
        self._remote = remote

    def _as_is(self, name: str, seen: _Seen) -> bool:
        """Return whether the copy has a file as it is, by the tag that a storage makes of contents.

        That is the MD5 sum of what was sent, or of the sums of its parts. A storage that makes tags
        otherwise is sent the file again.
        """
        if (one := (self._remote or {}).get(name)) is None or one.size != seen.size:
            return False
        if (
            name == DIGESTS
            or name in self._distrusted
            or self._tag(name, parts="-" in one.tag) != one.tag
        ):
            return False
        self._sent[name] = seen
        return True

    def _tag(self, name: str, *, parts: bool) -> str:
        sums, count = b"", 0
        whole = hashlib.md5(usedforsecurity=False)
        with self._files.open(name) as stream:
            while block := stream.read(PART_BYTES):
                whole.update(block)
                if parts:
                    sums += hashlib.md5(block, usedforsecurity=False).digest()
                    count += 1
        if not parts:
            return whole.hexdigest()
        return f"{hashlib.md5(sums, usedforsecurity=False).hexdigest()}-{count}"

    def _send(self, name: str, seen: _Seen) -> None:
        try:
            stream = self._files.open(name)
        except FileNotFoundError:
            return  # replaced or removed meanwhile: the next look finds what there is
        with stream:
            if seen.size > PART_BYTES:
                self._target.bucket.put(self._target.key(name), stream)
            else:
                self._target.bucket.put(self._target.key(name), stream.read())
        (self._remote or {}).pop(name, None)  # its tag is an older one's
        self._sent[name] = seen
        self._count(seen.size)

    def _count(self, size: int) -> None:
        self.status.sent += size
        self.status.waiting = max(0, self.status.waiting - size)

    def _send_segment(self, name: str, seen: _Seen) -> None:
        """Send a journal file that grows no more, unless the copy has more of it."""
        if self._copied_size(name) <= seen.size:
            if not self._as_is(name, seen):
                self._send(name, seen)
            self._remove_pieces(name)

    def _copied_size(self, name: str) -> int:
        one = (self._remote or {}).get(name) or self._sent.get(name)
        return max(one.size if one is not None else 0, self._end_of_pieces(name))

    def _end_of_pieces(self, name: str) -> int:
        pieces, end = self._pieces.get(name, {}), 0
        while size := pieces.get(end, 0):
            end += size
        return end

    def _tail(self, name: str, size: int) -> int:
        return max(0, size - self._copied_size(name))

    def _send_tail(self, name: str, size: int) -> None:
        """Send what the growing journal file has more than the copy."""
        if not self._tail(name, size):
            return  # of a run that ended: the next one begins a file of its own
        end = self._end_of_pieces(name)
        with self._files.open(name) as stream:
            stream.seek(end)
            while end < size and not self._stop():
                data = stream.read(min(_PIECE_BYTES, size - end))
                if not data:
                    return
                self._target.bucket.put(self._target.key(f"{name}{PIECES}/{end:015d}"), data)
                self._pieces.setdefault(name, {})[end] = len(data)
                end += len(data)
                self._count(len(data))

    def _remove_pieces(self, name: str) -> None:
        for offset in sorted(self._pieces.pop(name, {}), reverse=True):
            self._target.bucket.remove(self._target.key(f"{name}{PIECES}/{offset:015d}"))

    def _mark(self) -> None:
        """Let the copy's digests state, once, that derived files are being written."""
        if self._marked:
            return
        if not read_digests(self._files).problem:
            data = self._files.read(DIGESTS, limit=1 << 30)
            whole = data[: data.rfind(b"\n") + 1]
            previous = whole[:-1].rpartition(b"\n")[2].partition(b" ")[0].decode()
            body = json.dumps({"kind": "writing", "files": _DERIVED}).encode()
            line = b"%s %s\n" % (chained(previous, body).encode(), body)
            self._target.bucket.put(self._target.key(DIGESTS), whole + line)
        self._sent.pop(DIGESTS, None)
        self._marked = True

    def _remove_derived(self, found: set[str]) -> None:
        """Remove derived files from the copy that the survey no longer has; nothing else ever."""
        for name in list(self._remote or {}):
            if name not in found and name.startswith(_DERIVED):
                self._target.bucket.remove(self._target.key(name))

    def verify(self) -> CopyStatus:
        """Read every file of the copy back, and compare it with the original; send what differs again, twice at most.

        Raises:
            StorageError: the storage cannot be reached.
            OSError: a file of the survey cannot be read.
        """
        from swathe.copying.comparing import compare_copy

        for pause in (*_PAUSES, None):
            found = compare_copy(self._files.root, self._target, stop=self._stop)
            again = [name for name in found.differs if not self._is_longer(name)]
            pieces = any(PIECES in name for name in found.extra)
            if not (again or pieces) or pause is None or self._stop():
                break
            # Some storages show for a moment after a write what was there before.
            time.sleep(pause)
            self._distrusted |= set(again)
            for name in again:
                self._sent.pop(name, None)
            self.send_new(ended=True)
        self.status.differs = (*found.differs, *found.extra)
        self.status.verified = found.equal and not self._stop()
        self.status.files = found.files
        return self.status

    def _is_longer(self, name: str) -> bool:
        seen = self._seen(name)
        return (
            _SEGMENT.fullmatch(name) is not None
            and seen is not None
            and self._copied_size(name) > seen.size
        )
