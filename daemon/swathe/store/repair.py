"""Writing derived files again that do not match their digests."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from swathe.errors import SurveyError
from swathe.object_storage import files_of
from swathe.store.aside import set_aside
from swathe.store.digests import DIGESTS, FileFault, FileFaultKind, read_digests
from swathe.store.folder import SurveyFolder
from swathe.store.layers import COORDINATES
from swathe.store.rebuild import write_derived
from swathe.store.replaying import replay

__all__ = ["repair_survey"]


def repair_survey(
    folder: SurveyFolder,
    faults: Iterable[FileFault],
    *,
    on_torn: Callable[[Path, str], None] | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> str:
    """Write arrays and record of a survey again from its journal.

    Files that are not the ones that were written are moved to a folder of their own before; where
    nothing is known of the files, all derived ones are.

    Args:
        folder: the survey, locked.
        faults: of its derived files.
        on_torn: called with journal files that a crash cut off.
        on_progress: called at intervals with the share of the journal that is done, 0 to 1.

    Returns:
        The name of the folder to which files were moved, in that of the survey; empty if none was.

    Raises:
        SurveyError: the files were made by a rebuild with options, which must be repeated instead;
            or the disk is full or absent.
        JournalError: the journal cannot be read.
    """
    files = files_of(folder.path)
    digests = read_digests(files)
    if digests.options:
        message = (
            f"its files were written by `swathe rebuild {digests.options}`: repeat that on the survey, "
            "or rebuild it without options"
        )
        raise SurveyError(folder.path, message)
    pipeline = replay(folder, on_torn=on_torn, on_progress=on_progress)
    faults = list(faults)
    try:
        present = {*files.names(folder.zarr.name)}
        present |= {
            one
            for one in files.entries()
            if one in (DIGESTS, folder.record.name, folder.picture.name)
        }
        if (folder.path / folder.zarr.name).is_symlink():
            present = {name for name in present if "/" not in name} | {folder.zarr.name}
        if digests.problem:
            moved = present
        else:
            moved = set()
            for fault in faults:
                if fault.kind is not FileFaultKind.UNFINISHED or fault.name.endswith(".partial"):
                    moved |= _with_metadata(fault.name, folder.zarr.name)
            moved &= present
        aside = set_aside(files, sorted(moved))
        write_derived(folder, pipeline)
    except OSError as error:
        raise SurveyError(folder.path, f"cannot be written: {error.strerror}") from error
    return aside


def _with_metadata(name: str, zarr: str) -> set[str]:
    """Return a file's name, and that of its array's metadata if the array is only made with it."""
    array = name.removeprefix(f"{zarr}/").partition("/")[0]
    if name.startswith(f"{zarr}/") and "/" in name[len(zarr) + 1 :] and array in COORDINATES:
        return {name, f"{zarr}/{array}/zarr.json"}
    return {name}
