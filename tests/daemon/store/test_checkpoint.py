"""Checkpoint files: written whole or not at all, and read only if they are whole and one's own."""

from __future__ import annotations

import os
import stat
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from swathe.journal import JournalPosition, SegmentDigest
from swathe.store import CheckpointFile, CheckpointUnusableError, Frozen, freeze

POSITION = JournalPosition(2, 99, {1: ("port", "gauge"), 2: ("tick", ""), 3: ("", "")})
DIGESTS = (SegmentDigest(1, 500, "ab" * 32), SegmentDigest(2, 99, "cd" * 32))

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="needs file modes")


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    """Return a folder for checkpoints that does not exist yet."""
    return tmp_path / "cache" / "swathe" / "checkpoints"


def file_in(cache: Path, survey: str = "survey", identity: str = "s-1") -> CheckpointFile:
    """Return the checkpoint of a survey."""
    return CheckpointFile(Path(survey), identity, cache=cache)


def state(number: int = 0) -> Frozen:
    """Return a copy of a state."""
    frozen = freeze({"number": number, "values": np.arange(1000) + number}, most_bytes=1 << 20)
    assert frozen is not None
    return frozen


def path_of(file: CheckpointFile) -> Path:
    """Return where a checkpoint is."""
    assert file.path is not None
    return file.path


def test_checkpoint_comes_back(cache: Path) -> None:
    """State, position and digests are those that were saved; the newest replaces the older."""
    for number in (1, 2):
        file_in(cache).save(state(number), POSITION, DIGESTS)
    found = file_in(cache).load()
    assert found.state["number"] == 2
    assert found.state["values"].tolist() == list(range(2, 1002))
    assert found.state["values"].flags.writeable
    assert found.position == POSITION
    assert found.digests == DIGESTS
    assert [path.name for path in cache.iterdir()] == [path_of(file_in(cache)).name]


def test_each_survey_has_its_own(cache: Path) -> None:
    """A survey is known by its folder and its identity: a copy of it is another one."""
    files = [file_in(cache), file_in(cache, "other"), file_in(cache, identity="../s-2")]
    for number, file in enumerate(files):
        file.save(state(number), POSITION, DIGESTS)
    assert [file.load().state["number"] for file in files] == [0, 1, 2]
    assert {path.parent for path in map(path_of, files)} == {cache}


def test_none_is_no_error_of_its_own(cache: Path) -> None:
    """A first run has none."""
    with pytest.raises(CheckpointUnusableError, match="there is none"):
        file_in(cache).load()


def test_damage_anywhere_makes_it_unusable(cache: Path) -> None:
    """Any byte flipped, any length cut, never an error but the one."""
    file = file_in(cache)
    file.save(state(), POSITION, DIGESTS)
    path = path_of(file)
    data = path.read_bytes()
    for at in range(0, len(data), 7):
        path.write_bytes(data[:at] + bytes([data[at] ^ 0x40]) + data[at + 1 :])
        with pytest.raises(CheckpointUnusableError, match="it is damaged"):
            file.load()
        path.write_bytes(data[:at])
        with pytest.raises(CheckpointUnusableError, match="it is damaged"):
            file.load()
    path.write_bytes(data)
    assert file.load().position == POSITION


def test_other_code_makes_it_unusable(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another version has computed may not be what this one would."""
    file = file_in(cache)
    with monkeypatch.context() as patch:
        patch.setattr("swathe.store.checkpoint.code_digest", lambda: "other")
        file.save(state(), POSITION, DIGESTS)
    with pytest.raises(CheckpointUnusableError, match="of another version of the program"):
        file.load()


def test_class_that_is_not_accepted_makes_it_unusable(cache: Path) -> None:
    """The reason names it."""
    frozen = freeze({"pair": time.struct_time(range(9))}, most_bytes=1 << 20)
    assert frozen is not None
    file_in(cache).save(frozen, POSITION, DIGESTS)
    with pytest.raises(CheckpointUnusableError, match=r"time\.struct_time is not accepted"):
        file_in(cache).load()


@posix_only
def test_folder_and_file_are_closed_to_others(cache: Path) -> None:
    """Whoever could write there could put objects into this process."""
    old = os.umask(0)
    try:
        file_in(cache).save(state(), POSITION, DIGESTS)
    finally:
        os.umask(old)
    path = path_of(file_in(cache))
    assert stat.S_IMODE(cache.stat().st_mode) == 0o700
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


@posix_only
@pytest.mark.parametrize("mode", [0o710, 0o702, 0o755, 0o777])
def test_folder_open_to_others_is_neither_read_nor_written(cache: Path, mode: int) -> None:
    """The reason names the folder and the remedy."""
    file = file_in(cache)
    file.save(state(1), POSITION, DIGESTS)
    cache.chmod(mode)
    with pytest.raises(CheckpointUnusableError, match=f"chmod go= {cache}"):
        file.load()
    with pytest.raises(CheckpointUnusableError, match=f"chmod go= {cache}"):
        file.save(state(2), POSITION, DIGESTS)
    cache.chmod(0o700)
    assert file.load().state["number"] == 1


@posix_only
def test_file_of_others_is_not_read(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One open to others, a link to one elsewhere, and one that another user owns."""
    file = file_in(cache)
    file.save(state(), POSITION, DIGESTS)
    path = path_of(file)
    path.chmod(0o644)
    with pytest.raises(CheckpointUnusableError, match="closed to others"):
        file.load()
    path.chmod(0o600)
    elsewhere = path.rename(cache.parent / "elsewhere")
    path.symlink_to(elsewhere)
    with pytest.raises(CheckpointUnusableError, match="closed to others"):
        file.load()
    path.unlink()
    elsewhere.rename(path)
    file.load()
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    with pytest.raises(CheckpointUnusableError, match="the user's own"):
        file.load()


def test_cache_that_cannot_be_written(tmp_path: Path) -> None:
    """The reason names the path."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    file = file_in(tmp_path / "file" / "checkpoints")
    with pytest.raises(CheckpointUnusableError, match=r"cannot be written: Not a directory"):
        file.save(state(), POSITION, DIGESTS)
    with pytest.raises(CheckpointUnusableError, match="cannot be read: Not a directory"):
        file.load()


def test_failed_write_leaves_the_older_one(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader sees the old or the new one; what is left over is replaced by the next."""
    file = file_in(cache)
    file.save(state(1), POSITION, DIGESTS)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space")))
        with pytest.raises(CheckpointUnusableError, match="No space"):
            file.save(state(2), POSITION, DIGESTS)
    assert file.load().state["number"] == 1
    file.save(state(3), POSITION, DIGESTS)
    assert file.load().state["number"] == 3
    assert len(list(cache.iterdir())) == 1


def test_checkpoints_that_nobody_used_for_long_are_removed(cache: Path) -> None:
    """Those of 60 days and more; a newer one of another survey stays."""
    old, recent = file_in(cache, "old"), file_in(cache, "recent")
    day = 24 * 3600
    for file, age in ((old, 61 * day), (recent, 59 * day)):
        file.save(state(), POSITION, DIGESTS)
        os.utime(path_of(file), (time.time() - age,) * 2)
    file_in(cache).save(state(), POSITION, DIGESTS)
    assert not path_of(old).exists()
    assert path_of(recent).exists()


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="needs the XDG folders")
def test_folder_is_the_users_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """XDG_CACHE_HOME, else ~/.cache; without a home there are no checkpoints."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    name = path_of(CheckpointFile(Path("survey"), "s")).name
    assert (
        path_of(CheckpointFile(Path("survey"), "s")).parent == tmp_path / "xdg/swathe/checkpoints"
    )
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    expected = tmp_path / ".cache" / "swathe" / "checkpoints" / name
    assert CheckpointFile(Path("survey"), "s").path == expected

    def no_home() -> Path:
        message = "no home"
        raise RuntimeError(message)

    monkeypatch.setattr(Path, "home", no_home)
    file = CheckpointFile(Path("survey"), "s")
    assert file.path is None
    with pytest.raises(CheckpointUnusableError, match="no folder for caches"):
        file.load()
    with pytest.raises(CheckpointUnusableError, match="no folder for caches"):
        file.save(state(), POSITION, DIGESTS)
