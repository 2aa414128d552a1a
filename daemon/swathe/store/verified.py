"""Reading derived files of a survey by their digests."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from swathe.errors import SurveyError
from swathe.object_storage import files_of
from swathe.store.advice import REBUILD, REPAIR, advice
from swathe.store.digests import (
    DIGESTS,
    TURNS,
    Digests,
    FileFault,
    FileFaultKind,
    digest_of_file,
    read_digests,
)
from swathe.store.folder import SurveyFolder
from swathe.store.record import MOST_RECORD_BYTES, SurveyRecord, parse_record

if TYPE_CHECKING:
    import zarr

__all__ = [
    "VerifiedRecord",
    "derived_faults",
    "open_arrays",
    "read_verified_record",
    "unverified_reason",
]

# A run replaces its files one after the other, within a second as a rule.
_PATIENCE_SECONDS = 2.0
_PAUSE_SECONDS = 0.02
_NOT_ENDED = "of a run that had not ended when this was copied, or that ended without a word"


class VerifiedRecord(NamedTuple):
    """A survey record, and why it is not verified; empty if it is the one that was written."""

    record: SurveyRecord
    unverified: str


def read_verified_record(folder: SurveyFolder) -> VerifiedRecord:
    """Return the record of a survey, compared with its digest.

    Raises:
        SurveyError: it is missing, cannot be read, or is not the one that was written.
    """
    data, fault = _record_bytes(folder)
    if data is None:
        raise SurveyError(folder.record, f"is missing: {advice(folder, REBUILD)}")
    if fault is not None and fault.kind.is_damage:
        raise SurveyError(folder.path, f"{fault}; {advice(folder, REPAIR)}")
    try:
        record = parse_record(data)
    except ValueError as error:
        message = f"cannot be read ({error}): {advice(folder, REBUILD)}"
        raise SurveyError(folder.record, message) from error
    return VerifiedRecord(record, "" if fault is None else str(fault))


def _record_bytes(folder: SurveyFolder) -> tuple[bytes | None, FileFault | None]:
    """Return the contents of the record, None if there is none, and what is wrong with them."""
    files, name = files_of(folder.path), folder.record.name
    until = time.monotonic() + _PATIENCE_SECONDS
    turns = 0
    while True:
        digests = read_digests(files)
        try:
            data = files.read(name, limit=MOST_RECORD_BYTES)
        except FileNotFoundError:
            data = None
        except OSError as error:
            message = f"cannot be read: {error.strerror}; {advice(folder, REPAIR)}"
            raise SurveyError(folder.record, message) from error
        fault, turns = digests.fault(name, data), turns + 1
        if fault is None or fault.kind is FileFaultKind.UNKNOWN:
            break
        if fault.kind is FileFaultKind.UNFINISHED:
            if not folder.written_now:
                fault = _of_copy(folder, fault)
                break
            if time.monotonic() > until:
                fault = FileFault(name, fault.kind, "is being written by a run")
                break
            time.sleep(_PAUSE_SECONDS)
        elif turns >= TURNS:
            break
    return data, fault


def _of_copy(folder: SurveyFolder, fault: FileFault) -> FileFault:
    """Return a fault as far as it can be known: of a copy nobody knows whether a run still writes."""
    if not folder.stored_away or fault.kind is not FileFaultKind.UNFINISHED:
        return fault
    return FileFault(fault.name, fault.kind, _NOT_ENDED)


def unverified_reason(folder: SurveyFolder) -> str:
    """Return why the derived files of a survey cannot all be verified; empty if they can be.

    Nothing but the digests is read: a file that does not match its digest is found by whoever
    reads it, or by `derived_faults`.
    """
    digests = read_digests(files_of(folder.path))
    if digests.problem:
        return f"{DIGESTS} {digests.problem}: {advice(folder, REBUILD)}"
    if digests.writing and not folder.written_now:
        count = len(digests.writing)
        names = digests.writing[0] if count == 1 else f"{digests.writing[0]} and {count - 1} more"
        if folder.stored_away:
            return f"{names}: {_NOT_ENDED}; {advice(folder, REBUILD)}"
        return (
            f"the writer of {names} ended without a word while writing: "
            "run `swathe rebuild` on the survey"
        )
    return ""


def open_arrays(folder: SurveyFolder) -> zarr.Group:
    """Return the arrays of a survey; what is read of them is compared with its digest.

    Where there are no digests the arrays are bounded in size, and not verified.

    Raises:
        SurveyError: there are none, or their metadata is not what was written; reading a chunk that
            is not raises it as well.
    """
    import zarr

    from swathe.store.survey_store import SurveyStore

    if not folder.zarr.is_dir():
        raise SurveyError(folder.zarr, f"is missing: {advice(folder, REBUILD)}")
    store = SurveyStore(files_of(folder.path), folder.zarr.name, read_only=True, verified=True)
    try:
        return zarr.open_group(store, mode="r", zarr_format=3)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SurveyError(
            folder.zarr, f"cannot be read ({error}); {advice(folder, REPAIR)}"
        ) from error


def derived_faults(folder: SurveyFolder, digests: Digests) -> Iterator[FileFault]:
    """Yield what is wrong with the derived files of a survey: each that has a digest or should have.

    Where nothing is known there is one fault, of the digests.

    Args:
        folder: the survey.
        digests: of the survey.

    Raises:
        OSError: a file cannot be read.
    """
    files = files_of(folder.path)
    if digests.problem:
        yield FileFault(DIGESTS, FileFaultKind.UNKNOWN, digests.problem)
        return
    present = set(files.names(folder.zarr.name))
    own = {folder.record.name, folder.picture.name}
    present |= {name for name in own if (folder.path / name).is_symlink() or files.is_file(name)}
    if (folder.path / folder.zarr.name).is_symlink():
        present.add(folder.zarr.name)
    for name in sorted(present | set(digests.files)):
        if name in present and not files.is_file(name):
            yield FileFault(name, FileFaultKind.FOREIGN, "is a link or no regular file")
            continue
        if name == folder.picture.name and name not in digests.files:
            yield FileFault(name, FileFaultKind.UNKNOWN, "has no digest")
            continue
        fault = digests.fault_of(name, digest_of_file(files, name) if name in present else None)
        if fault is not None:
            yield _of_copy(folder, fault)
