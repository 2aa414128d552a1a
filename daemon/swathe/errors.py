"""The errors of the daemon, in one tree.

::

    SwatheError                      root of every error of the daemon
    ├── StationError                 the station file is wrong: carries every problem at once
    ├── JournalError                 a journal cannot be written or read: path, offset
    ├── SurveyError                  a survey folder is missing, foreign or started with another plan
    ├── MotionError                  a move that must not be made, or a plan that cannot be driven
    ├── CalibrationError             a calibration cannot be made, read or applied
    └── MisuseError                   a part was called against its rules: a bug, please report it

Errors of ports and drivers live in ``swathe_drivers.errors``; bad bytes are never exceptions,
they are counted faults.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "CalibrationError",
    "JournalError",
    "MisuseError",
    "Problem",
    "StationError",
    "SurveyError",
    "SwatheError",
    "first_error",
]


class SwatheError(Exception):
    """Root of the daemon's errors."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault of a settings file.

    Attributes:
        key: dotted key in the file, for example ``scan.resolution``.
        requirement: what must hold, for example ``must be > 0``.
        got: the value in the file, as it is written there; None where there is none.
        remedy: what to do about it; empty when the requirement is enough.
        excerpt: lines of the file that show where it is; empty where the key is enough.
    """

    key: str
    requirement: str
    got: object
    remedy: str = ""
    excerpt: str = ""

    def __str__(self) -> str:
        text = f"'{self.key}' {self.requirement}"
        if self.got is not None:  # TOML has no such value: it is not there
            text += f" (got {self.got!r})"
        if self.remedy:
            text += f": {self.remedy}"
        return "\n      ".join([text, *self.excerpt.splitlines()])


class StationError(SwatheError):
    """A station file cannot be used; carries all its problems at once.

    Attributes:
        path: the file.
        problems: every problem found.
    """

    def __init__(self, path: Path | str, problems: list[Problem]) -> None:
        self.path = path
        self.problems = problems
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        lines = "\n".join(f"  - {problem}" for problem in problems)
        super().__init__(f"{path}: {count}\n{lines}")


class JournalError(SwatheError):
    """A journal cannot be written or read.

    Attributes:
        path: the journal file or folder.
    """

    def __init__(self, path: Path, message: str) -> None:
        self.path = path
        super().__init__(f"{path}: {message}")


class SurveyError(SwatheError):
    """A survey folder is missing, is not a survey, or was started with another plan.

    Attributes:
        path: the survey folder.
    """

    def __init__(self, path: Path, message: str) -> None:
        self.path = path
        super().__init__(f"{path}: {message}")


class CalibrationError(SwatheError):
    """A calibration cannot be made, read or applied; the text names the fault and the remedy.

    Attributes:
        path: the file, when one is at fault.
    """

    def __init__(self, message: str, *, path: Path | None = None) -> None:
        self.path = path
        super().__init__(message if path is None else f"{path}: {message}")


class MisuseError(SwatheError):
    """A part of Swathe was called against its rules; this is a bug of Swathe."""


def first_error(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Return the first error of a task group, also of groups within it."""
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
