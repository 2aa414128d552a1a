"""What the operating system refuses is an error with a text, never a traceback."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swathe.cli import main as cli

COMMANDS = (
    ("run", "FILE"),
    ("run", "--new", "FILE"),
    ("setup", "FILE"),
    ("check", "FILE"),
    ("plan", "FILE"),
    ("verify", "FILE", "--by", "x"),
    ("gaps", "FOLDER"),
    ("report", "FOLDER"),
    ("rebuild", "FOLDER"),
    ("surveys", "FOLDER"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_command_shows_a_traceback_without_permission(
    command: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Whoever may not open, list or change a thing is shown which one."""
    (tmp_path / "station.toml").write_text("name = 'x'\n", "utf-8")
    (tmp_path / "journal").mkdir()
    (tmp_path / "journal" / "0001.mcap").write_bytes(b"")
    names = {"FILE": str(tmp_path / "station.toml"), "FOLDER": str(tmp_path)}
    monkeypatch.setattr(sys, "argv", ["swathe", *(names.get(part, part) for part in command)])

    def refused(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Path, *arguments: object, **options: object) -> Any:
            if str(path).startswith(str(tmp_path)):
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return real(path, *arguments, **options)

        return call

    for method in ("open", "read_text", "read_bytes", "iterdir", "glob", "mkdir", "rename"):
        monkeypatch.setattr(Path, method, refused(getattr(Path, method)))
    monkeypatch.setattr("os.walk", refused(os.walk))
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 1
    said = capsys.readouterr().err
    assert "Permission denied" in said
    assert str(tmp_path) in said.replace("\n", "")


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (OSError(errno.ENOSPC, "No space left on device", "/data/x"), "/data/x: No space left on"),
        (OSError(errno.EIO, "Input/output error"), "Input/output error"),
        (BlockingIOError(), "BlockingIOError"),
        (ExceptionGroup("", [PermissionError(13, "Permission denied", "/a")]), "/a: Permission"),
        (KeyError("ours"), ""),
    ],
    ids=repr,
)
def test_what_a_user_can_remedy_has_a_text(error: Exception, text: str) -> None:
    """The error of the system says what it is; a bug of ours is not dressed up as one."""
    assert cli._for_the_user(error).startswith(text)
    assert bool(cli._for_the_user(error)) == bool(text)
