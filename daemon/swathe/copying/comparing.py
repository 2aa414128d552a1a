"""Comparing a survey with its copy, file by file, by what is read of both."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from swathe.copying.target import CopyTarget, copied_names
from swathe.safe_files import SafeFolder
from swathe.store.digests import digest_of_file

__all__ = ["CopyComparison", "compare_copy"]

_BLOCK = 4 << 20


@dataclass(frozen=True)
class CopyComparison:
    """What a comparison found.

    Attributes:
        files: of the survey that the copy has with the same SHA-256.
        bytes: of these.
        missing: files that the copy has not.
        changed: files that differ.
        extra: files that only the copy has.
    """

    files: int
    bytes: int
    missing: tuple[str, ...]
    changed: tuple[str, ...]
    extra: tuple[str, ...]

    @property
    def differs(self) -> tuple[str, ...]:
        """Files of the survey that the copy has not, or has otherwise."""
        return tuple(sorted((*self.missing, *self.changed)))

    @property
    def equal(self) -> bool:
        """Whether the copy has all files of the survey as they are, and no others."""
        return not self.differs and not self.extra


def compare_copy(
    root: Path, target: CopyTarget, *, stop: Callable[[], bool] = lambda: False
) -> CopyComparison:
    """Return what a survey and its copy differ by; all of both is read.

    Args:
        root: the survey's folder.
        target: of the copy.
        stop: asked between two files whether to end early; what was not compared counts as changed.

    Raises:
        StorageError: the storage cannot be reached.
        OSError: a file of the survey cannot be read.
    """
    files = SafeFolder(root)
    stored = {target.name(one.key): one for one in target.bucket.below(target.prefix)}
    same, size = 0, 0
    missing, changed = [], []
    for name in copied_names(root):
        one = stored.pop(name, None)
        own = None if one is None or stop() else digest_of_file(files, name)
        if one is None:
            missing.append(name)
        elif own is None or own.size != one.size:
            changed.append(name)
        else:
            same, size = same + 1, size + own.size
    return CopyComparison(same, size, tuple(missing), tuple(changed), tuple(sorted(stored)))


def _sha256(target: CopyTarget, key: str, size: int) -> str:
    digest = hashlib.sha256()
    try:
        for start in range(0, size, _BLOCK):
            digest.update(target.bucket.read_range(key, start, min(_BLOCK, size - start)))
    except FileNotFoundError:
        return ""  # removed meanwhile
    return digest.hexdigest()
