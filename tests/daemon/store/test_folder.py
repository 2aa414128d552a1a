"""The survey folder: one writer at a time, and a new survey next to the older one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import BinaryIO

import pytest

from swathe.errors import SurveyError
from swathe.store import SurveyFolder
from swathe.store import folder as folder_module

LOCK = """
import sys
from pathlib import Path
from swathe.store import SurveyFolder
folder = SurveyFolder(Path(sys.argv[1])).__enter__()
print("locked", flush=True)
sys.stdin.read()
"""

needs_flock = pytest.mark.skipif(sys.platform == "win32", reason="there is no flock")


@needs_flock
def test_lock_holds_against_the_same_process_until_it_is_left(tmp_path: Path) -> None:
    """A second writer is refused while the first one has the survey, and not after."""
    with SurveyFolder(tmp_path / "survey"):
        with pytest.raises(SurveyError, match="another swathe process writes to this survey"):
            SurveyFolder(tmp_path / "survey").__enter__()
        with SurveyFolder(tmp_path / "other"):
            pass
    with SurveyFolder(tmp_path / "survey"):
        pass


@needs_flock
def test_lock_holds_against_another_process_and_ends_with_a_kill(tmp_path: Path) -> None:
    """A killed process leaves no lock behind that somebody would have to remove."""
    path = tmp_path / "survey"
    with subprocess.Popen(
        [sys.executable, "-c", LOCK, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"locked\n"
        with pytest.raises(SurveyError, match="stop it first"):
            SurveyFolder(path).__enter__()
        other.kill()
        other.wait(10)
    with SurveyFolder(path):
        pass


def test_set_aside_keeps_the_older_surveys_apart(tmp_path: Path) -> None:
    """Each older survey gets a name of its own, also within one second."""
    folder = SurveyFolder(tmp_path / "survey")
    assert folder.set_aside() is None
    names = set()
    for k in range(3):
        folder.path.mkdir()
        (folder.path / "mark").write_text(str(k), encoding="utf-8")
        aside = folder.set_aside()
        assert aside is not None
        assert (aside / "mark").read_text(encoding="utf-8") == str(k)
        names.add(aside.name)
    assert len(names) == 3
    assert not folder.path.exists()


@needs_flock
def test_set_aside_leaves_a_survey_that_is_written_to(tmp_path: Path) -> None:
    """The lock comes before the new name: a live run keeps its folder, and nothing is renamed."""
    path = tmp_path / "survey"
    with SurveyFolder(path):
        (path / "mark").write_text("live", encoding="utf-8")
        with pytest.raises(SurveyError, match="another swathe process writes to this survey"):
            SurveyFolder(path).set_aside()
        assert (path / "mark").read_text(encoding="utf-8") == "live"
        assert [one.name for one in tmp_path.iterdir()] == ["survey"]
    assert SurveyFolder(path).set_aside() is not None


def test_set_aside_without_permission_names_what_was_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The survey stays as it was, and unlocked."""
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(
        SurveyError, match=r"cannot be renamed to survey-until-.*: Permission denied"
    ):
        folder.set_aside()
    with folder:
        pass


@needs_flock
def test_lock_of_a_folder_that_was_renamed_is_not_taken_for_the_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Renamed between opening and locking, the older survey's lock would lock nothing here."""
    path, aside = tmp_path / "survey", tmp_path / "aside"
    real = folder_module._try_lock
    calls: list[bool] = []

    def rename_first(stream: BinaryIO) -> bool:
        if not calls:
            path.rename(aside)
        calls.append(real(stream))
        return calls[-1]

    monkeypatch.setattr(folder_module, "_try_lock", rename_first)
    with SurveyFolder(path):
        assert len(calls) == 2
        assert SurveyFolder(path).written_now
        assert not SurveyFolder(aside).written_now


@needs_flock
def test_written_now_is_what_the_lock_says(tmp_path: Path) -> None:
    """Asking for it leaves the survey free for the next writer, and a reader needs no lock file."""
    folder = SurveyFolder(tmp_path / "survey")
    assert folder.written_now is False
    with folder:
        assert SurveyFolder(folder.path).written_now is True
    assert folder.written_now is False
    with folder:
        pass
