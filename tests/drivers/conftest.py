"""Nothing that a test opens may outlive it."""

import gc
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

_DESCRIPTORS = Path("/proc/self/fd")


def _descriptors() -> dict[str, str]:
    found = {}
    for entry in _DESCRIPTORS.iterdir():
        try:
            found[entry.name] = str(entry.readlink())
        except FileNotFoundError:
            continue  # the descriptor with which the folder itself was listed
    return found


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread or a file descriptor behind."""
    threads = set(threading.enumerate())
    before = _descriptors() if _DESCRIPTORS.exists() else {}
    yield
    gc.collect()
    deadline = time.monotonic() + 2
    while set(threading.enumerate()) - threads and time.monotonic() < deadline:
        time.sleep(0.01)
    assert set(threading.enumerate()) - threads == set()
    if before:
        after = _descriptors()
        assert {number: after[number] for number in after.keys() - before.keys()} == {}
