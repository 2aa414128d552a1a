"""The digest of the code: of ours, of drivers' packages, and of what it runs on."""

from __future__ import annotations

import sys
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from swathe.store.code_digest import code_digest, code_packages
from swathe_drivers.registry import GROUP


@pytest.fixture(autouse=True)
def forget(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each digest be computed again."""
    monkeypatch.setattr("swathe.store.code_digest.code_digest", code_digest.__wrapped__)


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of a package with a driver and a module of another one."""
    folder = tmp_path / "invented_gauge"
    (folder / "inner").mkdir(parents=True)
    (folder / "__init__.py").write_text("", encoding="utf-8")
    (folder / "inner" / "decoder.py").write_text("A = 1\n", encoding="utf-8")
    (folder / "notes.txt").write_text("a", encoding="utf-8")
    (tmp_path / "invented_tally_module.py").write_text("B = 1\n", encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    points = EntryPoints(
        [
            EntryPoint("one", "invented_gauge.inner.decoder:Driver", GROUP),
            EntryPoint("two", "invented_tally_module:Driver", GROUP),
            EntryPoint("three", "swathe_drivers.lines:Driver", GROUP),
        ]
    )
    monkeypatch.setattr(
        "swathe.store.code_digest.entry_points", lambda group: points.select(group=group)
    )
    monkeypatch.setattr("swathe.store.code_digest.code_packages", code_packages.__wrapped__)
    return folder


def digest() -> str:
    """Return the digest, computed now."""
    return code_digest.__wrapped__()


def test_packages_are_ours_and_those_of_drivers(outside: Path) -> None:
    """By the name that is imported, whatever the distribution is called."""
    assert outside.name in code_packages.__wrapped__()
    assert code_packages.__wrapped__() == {
        "swathe",
        "swathe_drivers",
        "invented_gauge",
        "invented_tally_module",
    }


def test_digest_is_that_of_the_files(outside: Path) -> None:
    """A changed, renamed, new or removed source changes it; another file does not."""
    seen = [digest()]
    assert digest() == seen[0]
    (outside / "notes.txt").write_text("b", encoding="utf-8")
    assert digest() == seen[0]
    decoder = outside / "inner" / "decoder.py"
    decoder.write_text("A = 2\n", encoding="utf-8")
    seen.append(digest())
    decoder.rename(outside / "inner" / "decoders.py")
    seen.append(digest())
    (outside / "table.json").write_text("{}", encoding="utf-8")
    seen.append(digest())
    (outside.parent / "invented_tally_module.py").write_text("B = 2\n", encoding="utf-8")
    seen.append(digest())
    assert len(set(seen)) == len(seen)


def test_digest_is_that_of_python_and_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another version may round otherwise."""
    seen = {digest()}
    with monkeypatch.context() as patch:
        patch.setattr(sys, "version", "3.99")
        seen.add(digest())
    monkeypatch.setattr("numpy.__version__", "9.9")
    seen.add(digest())
    assert len(seen) == 3


def test_package_that_is_not_installed_any_more_has_no_files(
    outside: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An entry point may be left over; that is for whoever names the driver to see."""
    before = digest()
    points = EntryPoints([EntryPoint("x", "invented_nothing.y:Driver", GROUP)])
    monkeypatch.setattr(
        "swathe.store.code_digest.entry_points", lambda group: points.select(group=group)
    )
    assert digest() != before
    assert outside.exists()
