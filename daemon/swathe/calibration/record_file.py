"""The calibration record as a JSON file."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from swathe.calibration.record import CalibrationRecord, digest_of, faults_of
from swathe.errors import CalibrationError
from swathe.safe_files import SafeFolder

__all__ = ["parse_calibration_record", "read_calibration_record", "write_calibration_record"]


def write_calibration_record(path: Path, record: CalibrationRecord) -> None:
    """Put the record at `path`; a reader sees the old file or the new one, never a part.

    Raises:
        CalibrationError: the disk is full or missing; make room and write again.
    """
    data = f"{record.model_dump_json(indent=1)}\n".encode()
    try:
        SafeFolder(path.parent).replace(path.name, data)
    except OSError as error:
        raise CalibrationError(f"cannot be written: {error.strerror}", path=path) from error


def read_calibration_record(path: Path) -> CalibrationRecord:
    """Return the record at `path`.

    Raises:
        CalibrationError: it is missing, damaged or changed; the text names the keys and the remedy.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        message = "is missing: look at the path, or calibrate"
        raise CalibrationError(message, path=path) from None
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "is no UTF-8 text"
        raise CalibrationError(f"cannot be read: {reason}", path=path) from error
    return parse_calibration_record(text, path)


def parse_calibration_record(text: str, path: Path) -> CalibrationRecord:
    """Return the record that `text` holds.

    Args:
        text: JSON.
        path: where it is from, for the message.

    Raises:
        CalibrationError: it is damaged or changed; the text names the keys and the remedy.
    """
    try:
        record = CalibrationRecord.model_validate_json(text, strict=True)
    except ValidationError as error:
        message = f"is no calibration record: {faults_of(error)}; take the file as it was written"
        raise CalibrationError(message, path=path) from error
    digest = digest_of(record)
    if record.id != digest:
        message = (
            f"was changed after it was signed: 'id' must be {digest!r} for its contents "
            f"(got {record.id!r}); take the file as it was written, or calibrate again"
        )
        raise CalibrationError(message, path=path)
    return record
