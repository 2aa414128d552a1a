"""Where the copy of a survey is, and which files of the survey belong to it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from swathe.errors import SwatheError
from swathe.object_storage import Bucket, ObjectPath, has_scheme, storage_of, survey_path
from swathe.safe_files import SafeFolder
from swathe.store import SurveyFolder

__all__ = ["CopyTarget", "copied_names", "copy_of"]

# Of the identity in the name of a copy: enough to tell surveys of one folder apart.
_LETTERS = 8


class CopyTarget(NamedTuple):
    """A bucket, and the prefix below which a copy is; empty for the whole bucket."""

    bucket: Bucket
    prefix: str

    @classmethod
    def of(cls, url: str, *, patient: bool = True) -> CopyTarget:
        """Return the target that a URL names: ``s3://...`` or ``file:///...``.

        Args:
            url: of the copy.
            patient: whether a request that fails is repeated for some seconds.

        Raises:
            StorageError: there is no way to be known by the storage.
            SwatheError: it is none, or the extra ``storage`` is not installed.
        """
        if not has_scheme(url):
            message = f"{url}: a copy is at s3://BUCKET/PREFIX, or at file:///FOLDER"
            raise SwatheError(message)
        path = survey_path(url)
        if isinstance(path, ObjectPath):
            return cls(storage_of("s3", path.parts[1], patient=patient), path.key)
        return cls(storage_of("file", str(path), patient=patient), "")

    @property
    def url(self) -> str:
        """Of the copy."""
        return f"{self.bucket.url}/{self.prefix}".rstrip("/")

    def key(self, name: str) -> str:
        """Return the key of a file of the survey."""
        return f"{self.prefix}/{name}" if self.prefix else name

    def name(self, key: str) -> str:
        """Return the file of the survey whose key it is."""
        return key[len(self.prefix) + 1 :] if self.prefix else key


def copy_of(folder: SurveyFolder, to: str) -> str:
    """Return the URL of a survey's copy: below `to`, with the folder's name and the survey's identity.

    A new survey in the same folder has a copy of its own.

    Raises:
        SurveyError: the survey has no journal that can be read.
    """
    identity = str(folder.first_opening().detail.get("survey", ""))[:_LETTERS]
    name = f"{folder.path.resolve().name}-{identity}".rstrip("-")
    return f"{to.rstrip('/')}/{name}"


def copied_names(root: Path) -> Iterator[str]:
    """Yield the names of the files of a survey that its copy has, in the order of their names.

    These are all but the lock and what is being written under another name.
    """
    for name in SafeFolder(root).names():
        top, last = name.split("/", 1)[0], name.rpartition("/")[2]
        if last.startswith(".") or last.endswith(".partial") or top.endswith((".new", ".old")):
            continue
        yield name
