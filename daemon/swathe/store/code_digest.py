"""A digest of the code that computes a survey's state."""

from __future__ import annotations

import functools
import hashlib
import importlib.util
import platform
import sys
from collections.abc import Iterator
from importlib.metadata import entry_points
from pathlib import Path

import numpy as np

from swathe_drivers.registry import GROUP, MOTION_GROUP

__all__ = ["code_digest", "code_packages"]

# Sources, compiled modules and the tables that are read at run time.
_SUFFIXES = (".py", ".so", ".pyd", ".toml", ".json")


@functools.cache
def code_packages() -> frozenset[str]:
    """Return the packages whose objects a survey's state consists of: ours and those of drivers."""
    points = (point for group in (GROUP, MOTION_GROUP) for point in entry_points(group=group))
    return frozenset(
        {"swathe", "swathe_drivers", *(point.module.split(".")[0] for point in points)}
    )


@functools.cache
def code_digest() -> str:
    """Return a digest of the packages' files and the versions of Python and numpy, as hex digits.

    It is computed once: what is replaced while the process runs is not what it executes.
    """
    digest = hashlib.sha256(f"{sys.version} {np.__version__} {platform.machine()}".encode())
    for package in sorted(code_packages()):
        for name, path in _files(package):
            digest.update(f"\0{package}/{name}\0".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _files(package: str) -> Iterator[tuple[str, Path]]:
    """Yield the files of a package, or of a module without one, with their names in it."""
    spec = importlib.util.find_spec(package)
    if spec is None:
        return
    if not spec.submodule_search_locations:
        if spec.origin is not None and Path(spec.origin).is_file():
            yield Path(spec.origin).name, Path(spec.origin)
        return
    for folder in map(Path, spec.submodule_search_locations):
        for path in sorted(folder.rglob("*")):
            if path.suffix in _SUFFIXES and path.is_file():
                yield path.relative_to(folder).as_posix(), path
