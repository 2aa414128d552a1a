"""What can go wrong in a calibration."""

from __future__ import annotations

from pathlib import Path

from swathe.errors import SwatheError

__all__ = ["CalibrationError"]


class CalibrationError(SwatheError):
    """A calibration cannot be made, read or applied; the text says what is wrong and the mend.

    Attributes:
        path: the file, when one is at fault.
    """

    def __init__(self, message: str, *, path: Path | None = None) -> None:
        self.path = path
        super().__init__(message if path is None else f"{path}: {message}")
