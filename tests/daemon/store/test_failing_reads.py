"""A disk that cannot read is an error that names the file, never a survey with less in it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.surveys import RUNS, write_survey
from support.failing_reads import FailingReads
from swathe.errors import SwatheError
from swathe.journal import JournalWriter, opening_marks, read_journal
from swathe.store import SurveyFolder, replay, write_derived
from swathe.store.checking import check_survey
from swathe.store.digests import DIGESTS
from swathe.store.verified import open_arrays, read_verified_record, unverified_reason


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return a survey of two runs with its derived files."""
    folder = write_survey(tmp_path_factory.mktemp("survey") / "survey", RUNS)
    write_derived(folder, replay(folder))
    return folder


def layers(folder: SurveyFolder) -> Any:
    """Return what the arrays hold."""
    group: Any = open_arrays(folder)
    return {name: np.asarray(group[name]).tolist() for name in ("state", "hits")}


WORK: dict[str, Callable[[SurveyFolder], Any]] = {
    "journal": lambda folder: list(read_journal(folder.journal)),
    "openings": lambda folder: list(opening_marks(folder.journal)),
    "record": lambda folder: read_verified_record(folder).record,
    "arrays": layers,
}


def result(work: Callable[[], Any]) -> Any:
    """Return what comes of it, or its error."""
    try:
        return work()
    except (SwatheError, OSError) as error:
        return error


@pytest.mark.parametrize("name", WORK)
def test_read_that_fails_is_an_error_that_names_the_file(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Whichever read it is: none is taken for the end of a file, for damage, or for no reading."""
    reads = FailingReads(monkeypatch)
    reads.begin()
    whole = result(lambda: WORK[name](survey))
    assert not isinstance(whole, Exception)
    for number in range(1, reads.count + 1):
        reads.begin(number)
        found = result(lambda: WORK[name](survey))
        assert reads.failed
        if reads.failed == DIGESTS:  # what is read is not verified then, and is said to be so
            reads.begin(1)
            assert "cannot be read: Input/output error" in unverified_reason(survey)
            continue
        assert isinstance(found, SwatheError), f"read {number}, of {reads.failed}"
        assert Path(reads.failed).name in str(found)
        assert "Input/output error" in str(found)


def test_check_of_a_survey_that_cannot_be_read_finds_no_survey_good(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that cannot be read is not verified, and has no other digest either."""
    reads = FailingReads(monkeypatch)
    reads.begin()
    assert check_survey(survey).good
    for number in range(1, reads.count + 1, 4):
        reads.begin(number)
        found = result(lambda: check_survey(survey))
        assert reads.failed
        if isinstance(found, Exception):
            assert "Input/output error" in str(found)
            continue
        texts = [*found.damage, *map(str, found.faults)]
        assert texts, f"read {number}, of {reads.failed}"
        assert all("Input/output error" in text for text in texts), texts


def test_run_begins_nothing_after_a_file_that_cannot_be_read(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its digest of the last file would be that of a part."""
    reads = FailingReads(monkeypatch)
    reads.begin()
    names = sorted(path.name for path in survey.journal.iterdir())
    with JournalWriter(survey.journal):
        count = reads.count
    assert count > 2
    for number in range(1, count + 1):
        reads.begin(number)
        found = result(JournalWriter(survey.journal).__enter__)
        assert "Input/output error" in str(found), f"read {number}, of {reads.failed}"
    assert sorted(path.name for path in survey.journal.iterdir()) == names
