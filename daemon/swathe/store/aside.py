"""Keeping derived files that are to be written again but do not match their digests."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from swathe.object_storage import files_of
from swathe.safe_files import SafeFolder
from swathe.store.digests import Digests, FileFaultKind, digest_of_file
from swathe.store.folder import SurveyFolder
from swathe.store.layers import COORDINATES

__all__ = ["ASIDE", "DoubtfulMetadata", "set_aside", "set_metadata_aside"]

ASIDE = "set-aside"
"""Folder in a survey's folder for what did not match; nothing of Swathe reads it."""


def set_aside(folder: SafeFolder, names: Iterable[str]) -> str:
    """Move files of a survey, and links, to a new folder in it; return its name, empty without any.

    Raises:
        OSError: they cannot be moved.
    """
    names = list(names)
    if not names:
        return ""
    number = 1
    while folder.is_folder(f"{ASIDE}/{number}"):
        number += 1
    for name in names:
        folder.move(name, f"{ASIDE}/{number}/{name}")
    return f"{ASIDE}/{number}"


class DoubtfulMetadata(NamedTuple):
    """What a writer of the arrays must not rely on.

    Attributes:
        aside: the folder to which damaged metadata was moved; empty if there is none.
        unfinished: names of what a kill left half written; for `SurveyArrays.renew`.
    """

    aside: str
    unfinished: frozenset[str]


def set_metadata_aside(folder: SurveyFolder, digests: Digests) -> DoubtfulMetadata:
    """Move aside what a writer of the arrays would rely on and what does not match its digest.

    These are metadata and coordinates: the layers are written whole. The writer creates what is
    missing. Where nothing is known of the files, all of these are moved.

    Raises:
        OSError: they cannot be read or moved.
    """
    files, zarr = files_of(folder.path), folder.zarr.name
    present = set(files.names(zarr))
    moved: set[str] = set()
    unfinished: set[str] = set()
    for name in sorted(present | set(digests.files)):
        array, _, rest = name.removeprefix(f"{zarr}/").partition("/")
        # The group's own, or an array's.
        metadata = rest == "zarr.json" or name == f"{zarr}/zarr.json"
        if not name.startswith(f"{zarr}/") or (array not in COORDINATES and not metadata):
            continue
        sound = name not in present or files.is_file(name)
        found = digest_of_file(files, name) if sound and name in present else None
        fault = digests.fault_of(name, found)
        if sound and fault is not None and fault.kind is FileFaultKind.UNFINISHED:
            # What a kill left is nobody's: it is made again, and so is an array's metadata.
            unfinished |= {name, f"{zarr}/{array}/zarr.json"} if rest else {name}
            continue
        if sound and not digests.problem and (fault is None or not fault.kind.is_damage):
            continue
        # An array is created again once its metadata is gone.
        both = {name, f"{zarr}/{array}/zarr.json"} if rest else {name}
        moved |= both & present
    return DoubtfulMetadata(set_aside(files, sorted(moved)), frozenset(unfinished - moved))
