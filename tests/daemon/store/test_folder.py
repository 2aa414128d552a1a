"""The survey folder: one writer at a time, and a new survey next to the older one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from swathe.errors import SurveyError
from swathe.store import SurveyFolder

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
