"""What can go wrong on our side, in one tree.

::

    SwatheError                      root of every error of the daemon
    ├── StationError                 the station file is wrong: carries every problem at once
    ├── JournalError                 a journal cannot be written or read: path, offset
    ├── SurveyError                  a survey folder is missing, foreign or begun with another plan
    ├── MotionError                  a move that must not be made, or a plan that cannot be driven
    ├── CalibrationError             a calibration cannot be made, read or applied (its own room)
    └── UsageError                   we misused a part of our own: a bug, please report it

Errors of ports and drivers live in ``swathe_drivers.errors``; bad bytes are never exceptions,
they are counted faults.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "JournalError",
    "Problem",
    "StationError",
    "SurveyError",
    "SwatheError",
    "UsageError",
    "first_error",
]


class SwatheError(Exception):
    """Root of the daemon's errors."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a settings file.

    Attributes:
        key: dotted place in the file, for example ``scan.resolution``.
        requirement: what must hold, for example ``must be > 0``.
        got: the value found, as the file has it.
        mend: what to do about it; empty when the requirement says it all.
    """

    key: str
    requirement: str
    got: object
    mend: str = ""

    def __str__(self) -> str:
        text = f"'{self.key}' {self.requirement} (got {self.got!r})"
        return f"{text}: {self.mend}" if self.mend else text


class StationError(SwatheError):
    """A station file cannot be used; all its problems are told at once.

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
    """A survey folder is missing, is not a survey, or was begun with another plan.

    Attributes:
        path: the survey folder.
    """

    def __init__(self, path: Path, message: str) -> None:
        self.path = path
        super().__init__(f"{path}: {message}")


class UsageError(SwatheError):
    """A part of Swathe was called against its rules; this is a bug of ours."""


def first_error(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Return the error that made a task group, perhaps within others, end: the first one."""
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
