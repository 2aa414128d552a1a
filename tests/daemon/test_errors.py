"""The error tree: one root, machine-readable attributes beside the text."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe import errors
from swathe.errors import JournalError, MisuseError, Problem, StationError, SurveyError, SwatheError


@pytest.mark.parametrize("kind", [JournalError, StationError, SurveyError, MisuseError])
def test_every_error_has_one_root(kind: type[Exception]) -> None:
    """Catching the root catches all."""
    assert issubclass(kind, SwatheError)
    assert kind.__name__ in errors.__all__


def test_problem_reads_key_requirement_value_mend() -> None:
    """A problem is one sentence; the remedy follows when there is one."""
    assert (
        str(Problem("scan.length", "must be > 0", -0.5)) == "'scan.length' must be > 0 (got -0.5)"
    )
    with_mend = Problem("a", "is required", None, "add a to the file")
    assert str(with_mend) == "'a' is required: add a to the file"


def test_station_error_counts_and_lists() -> None:
    """One problem is one, several are several, each on its line."""
    one = StationError("x.toml", [Problem("a", "is required", None)])
    assert str(one) == "x.toml: 1 problem\n  - 'a' is required"
    two = StationError(Path("x.toml"), [Problem("a", "r", 1), Problem("b", "r", 2)])
    assert str(two) == "x.toml: 2 problems\n  - 'a' r (got 1)\n  - 'b' r (got 2)"
    assert [problem.key for problem in two.problems] == ["a", "b"]


@pytest.mark.parametrize("kind", [JournalError, SurveyError])
def test_path_errors_carry_their_path(kind: type[JournalError | SurveyError]) -> None:
    """The path stands first in the text and as an attribute."""
    error = kind(Path("survey/journal"), "cannot be written")
    assert error.path == Path("survey/journal")
    assert str(error) == "survey/journal: cannot be written"
