"""What holds for all tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

# A machine that does other work beside is slow now and then; that is no fault of what is tested.
settings.register_profile("swathe", deadline=None)
settings.load_profile("swathe")


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep checkpoints of surveys out of the cache of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
