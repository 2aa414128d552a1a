"""Files of a stranger's folder: no link leads out of it, and no file is larger than expected."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from swathe.safe_files import SafeFolder, UnsafeFileError


@pytest.fixture
def folder(tmp_path: Path) -> SafeFolder:
    """Return a folder next to a file that no name in it may reach."""
    (tmp_path / "outside").write_bytes(b"mine")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "file").write_bytes(b"mine too")
    root = tmp_path / "survey"
    root.mkdir()
    return SafeFolder(root)


WRITES: dict[str, Callable[[SafeFolder, str], object]] = {
    "replace": lambda folder, name: folder.replace(name, b"theirs"),
    "append": lambda folder, name: folder.append(name).close(),
    "create": lambda folder, name: folder.create(name).close(),
}


def test_written_file_is_read(folder: SafeFolder) -> None:
    """Each way of writing makes a file, with the folders on its path."""
    folder.replace("a/b/one", b"1")
    with folder.create("a/two") as stream:
        stream.write(b"2")
    with folder.append("a/two") as stream:
        stream.write(b"2")
    assert folder.read("a/b/one", limit=10) == b"1"
    assert folder.read("a/two", limit=2) == b"22"
    assert list(folder.names()) == ["a/two", "a/b/one"]
    folder.replace("a/two", b"3", sync=False)
    folder.move("a/two", "c/three")
    assert folder.read("c/three", limit=1) == b"3"
    folder.remove("c/three")
    folder.remove("c/three")
    folder.remove_folder("a")
    folder.remove_folder("a")
    assert list(folder.names()) == []
    assert folder.is_folder("c")
    assert not folder.is_folder("a")


@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
@pytest.mark.parametrize("partial", [False, True])
def test_link_as_the_file_is_not_followed(
    folder: SafeFolder, write: Callable[[SafeFolder, str], object], partial: bool
) -> None:
    """What a link leads to stays as it is, also of the file that is written first."""
    name = "file.partial" if partial else "file"
    (folder.root / name).symlink_to("../outside")
    try:
        write(folder, "file")
    except OSError:
        assert not partial
    assert (folder.root.parent / "outside").read_bytes() == b"mine"
    if not partial and (folder.root / "file").is_symlink():
        with pytest.raises(UnsafeFileError, match="link"):
            folder.read("file", limit=100)
        assert not folder.is_file("file")


@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
def test_link_as_a_folder_is_not_followed(
    folder: SafeFolder, write: Callable[[SafeFolder, str], object]
) -> None:
    """A folder on the path that is a link is refused for reading, writing and removing."""
    (folder.root / "sub").symlink_to("../elsewhere")
    acts: tuple[Callable[[], object], ...] = (
        lambda: write(folder, "sub/file"),
        lambda: folder.read("sub/file", limit=100),
        lambda: folder.remove("sub/file"),
        lambda: folder.move("sub/file", "file"),
    )
    for act in acts:
        with pytest.raises(UnsafeFileError, match="'sub' is a link"):
            act()
    folder.remove_folder("sub")
    assert list(folder.names()) == ["sub"]
    assert list(folder.names("sub")) == []
    assert (folder.root.parent / "elsewhere" / "file").read_bytes() == b"mine too"


@pytest.mark.parametrize(
    "name", ["../outside", "/etc/passwd", "a/../../outside", "", ".", "a//b", "a\0b"]
)
def test_name_that_leads_out_is_refused(folder: SafeFolder, name: str) -> None:
    """A name has parts below the folder only."""
    with pytest.raises(UnsafeFileError, match="no name of a file"):
        folder.read(name, limit=100)


def test_hard_link_is_not_appended_to(folder: SafeFolder) -> None:
    """A file with a second name elsewhere is not written in place; replacing it leaves the other."""
    outside = folder.root.parent / "outside"
    os.link(outside, folder.root / "log")
    with pytest.raises(UnsafeFileError, match="second name"):
        folder.append("log")
    folder.replace("log", b"new")
    assert outside.read_bytes() == b"mine"


def test_pipe_is_not_waited_for(folder: SafeFolder) -> None:
    """A named pipe without another end is refused at once, for reading and for writing."""
    os.mkfifo(folder.root / "pipe")
    for act in (lambda: folder.read("pipe", limit=9), lambda: folder.append("pipe")):
        with pytest.raises(UnsafeFileError, match="no regular file"):
            act()


def test_file_larger_than_the_limit_is_not_read(folder: SafeFolder) -> None:
    """A sparse file of many GB costs no more memory than the limit."""
    with (folder.root / "big").open("wb") as stream:
        stream.truncate(1 << 40)
    with pytest.raises(UnsafeFileError, match="more than 1,000 bytes"):
        folder.read("big", limit=1000)


def test_failed_write_leaves_the_old_file(
    folder: SafeFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the disk fails before the exchange, the old contents stay and no part remains."""
    folder.replace("file", b"old")

    def fail(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="No space"):
        folder.replace("file", b"new")
    assert folder.read("file", limit=9) == b"old"
    assert list(folder.names()) == ["file"]
