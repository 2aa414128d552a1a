"""What holds for all tests."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import pytest
from hypothesis import settings

# A machine that does other work at the same time is slow now and then; that is no fault of what is
# tested. The usual examples are the same in each run, so that a change that fails is the one at
# fault; `--hypothesis-profile=search` draws others and more of them, and is for a search for rare ones.
settings.register_profile("swathe", deadline=None, derandomize=True, max_examples=20)
settings.register_profile("search", deadline=None, derandomize=False)
settings.load_profile("swathe")


# Where compiled files are not kept, each worker compiles all tests, and each process that a test starts
# all of Swathe: a third of the suite's time.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# What ends in good order may take its time on a busy machine; tests of the limit itself set their own.
os.environ.setdefault("SWATHE_END_WITHIN", "40")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Return one worker more than there are processors: some tests wait for ports and browsers."""
    return (os.cpu_count() or 1) + 1


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep checkpoints of surveys out of the cache of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
