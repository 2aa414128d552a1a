"""Nothing that a test opens may outlive it."""

import gc
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

_DESCRIPTORS: Final = Path("/proc/self/fd")
_PATIENCE: Final = 2.0


def _descriptors() -> dict[str, str]:
    found = {}
    for entry in _DESCRIPTORS.iterdir():
        try:
            found[entry.name] = str(entry.readlink())
        except FileNotFoundError:
            continue  # the descriptor with which the folder itself was listed
    return found


def _opened_since(before: dict[str, str]) -> list[str]:
    after = _descriptors()
    return sorted(after[number] for number in after.keys() - before.keys())


@contextmanager
def nothing_left_behind() -> Iterator[None]:
    """Watch over what is opened meanwhile.

    Raises:
        AssertionError: a thread is still running, or a file or port is still open (where the system lists
            them); its text names them.
    """
    threads = set(threading.enumerate())
    can_list = _DESCRIPTORS.exists()
    before = _descriptors() if can_list else {}
    yield
    deadline = time.monotonic() + _PATIENCE
    while set(threading.enumerate()) - threads and time.monotonic() < deadline:
        time.sleep(0.01)
    left = [thread.name for thread in set(threading.enumerate()) - threads]
    if left:
        message = f"threads still running: {', '.join(sorted(left))}"
        raise AssertionError(message)
    opened = _opened_since(before) if can_list else []
    if opened:
        gc.collect()  # dear, and needed only where a cycle may hold what nobody uses
        opened = _opened_since(before)
    if opened:
        message = f"still open: {', '.join(opened)}"
        raise AssertionError(message)
