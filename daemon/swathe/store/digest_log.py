"""Writing the digests of a survey's derived files; `swathe.store.digests` has the format."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from swathe.journal import SegmentDigest
from swathe.safe_files import SafeFolder
from swathe.store.aside import set_aside
from swathe.store.digests import (
    DIGESTS,
    SEED,
    DigestDraft,
    Digests,
    FileDigest,
    chained,
    journal_faults,
    read_digests,
)

__all__ = ["DigestLog"]

# The log is written again as one line from this size on, if it is this many times that line's.
_FEW_BYTES = 1 << 20
_TIMES = 4
_MOST_GROWTH = 16 << 20


class DigestLog:
    """Writes the digests of a survey; the survey is locked by the caller.

    Args:
        folder: the survey's folder.
    """

    def __init__(self, folder: SafeFolder) -> None:
        self.folder = folder
        self._draft = DigestDraft()
        self._chain = ""
        self._size = self._whole_size = 0
        self._noted: dict[str, FileDigest | None] | None = None
        self._disputed: frozenset[int] | None = None
        self._incomplete = False

    @property
    def state(self) -> Digests:
        """The digests so far."""
        return self._draft.state

    def begin(self) -> Digests:
        """Read the log and write it again as one line; return what it says.

        A log that is damaged or missing begins again with no digest; a damaged one is kept aside.

        Raises:
            OSError: it cannot be written.
        """
        found = read_digests(self.folder)
        self._draft = DigestDraft(None if found.problem else found)
        if found.problem:
            set_aside(self.folder, [name for name in self.folder.entries() if name == DIGESTS])
        self._disputed = None
        self._rewrite()
        return found

    @contextmanager
    def writing(
        self,
        names: Iterable[str],
        *,
        journal: Iterable[SegmentDigest] = (),
        options: str | None = None,
    ) -> Iterator[None]:
        """Announce names, and log the digests that were noted meanwhile once the block has ended.

        After an error in the block the names stay unfinished.

        Args:
            names: of the files that are written or removed; one that ends in ``/`` means all below it.
            journal: digests of the journal files from which they are derived, on the disk by the end
                of the block.
            options: of the rebuild; as before without it.

        Raises:
            OSError: the log cannot be written.
        """
        if not self._chain:
            self.begin()
        journal = list(journal)
        if journal and self._disputed is None:
            # The digest of a journal file that has changed since stays: it is the evidence of that.
            self._disputed = frozenset(journal_faults(self.folder, self.state))
        disputed = self._disputed or ()
        announced = sorted(set(names))
        self._append({"kind": "writing", "files": announced})
        self._noted, self._incomplete = {}, False
        try:
            yield
            noted = self._noted
        finally:
            self._noted = None
        self._append(
            {
                "kind": "written",
                "began": [] if self._incomplete else announced,
                "files": {name: noted[name] for name in sorted(noted)},
                "journal": [list(one) for one in journal if one.segment not in disputed],
                "options": self.state.options if options is None else options,
            }
        )
        most = min(_TIMES * self._whole_size, self._whole_size + _MOST_GROWTH)
        if self._size > max(_FEW_BYTES, most):
            self._rewrite()

    def leave_unfinished(self) -> None:
        """Let the names that are announced stay unfinished, but for the files that were noted."""
        self._incomplete = True

    def note(self, name: str, digest: FileDigest | None) -> None:
        """Note the digest of a file that was written, or that it was removed."""
        if self._noted is not None:
            self._noted[name] = digest

    def replace(self, name: str, data: bytes) -> None:
        """Write a file and note its digest.

        Raises:
            OSError: it cannot be written.
        """
        self.folder.replace(name, data)
        self.note(name, FileDigest.of(data))

    def _append(self, line: Mapping[str, Any]) -> None:
        body = json.dumps(line, separators=(",", ":")).encode()
        chain = chained(self._chain, body)
        # Until the line is whole: what a full disk took of it must not stay before the next one.
        self._chain = ""
        with self.folder.append(DIGESTS) as stream:
            stream.write(b"%s %s\n" % (chain.encode(), body))
            stream.flush()
            os.fsync(stream.fileno())
        self._chain, self._size = chain, self._size + len(chain) + 2 + len(body)
        self._draft.apply(json.loads(body))

    def _rewrite(self) -> None:
        state = self.state
        line = {
            "kind": "whole",
            "files": {name: state.files[name] for name in sorted(state.files)},
            "writing": sorted(set(state.writing)),
            "journal": [list(state.journal[number]) for number in sorted(state.journal)],
            "options": state.options,
        }
        body = json.dumps(line, separators=(",", ":")).encode()
        self._chain = chained(SEED, body)
        data = b"%s %s\n" % (self._chain.encode(), body)
        self.folder.replace(DIGESTS, data)
        self._size = self._whole_size = len(data)
