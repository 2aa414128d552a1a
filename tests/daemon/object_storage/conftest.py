from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.storage import StorageServer, storage_server
from swathe.object_storage.stores import storage_of


@pytest.fixture(scope="module")
def _server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StorageServer]:
    server = storage_server(tmp_path_factory.mktemp("objects"))
    yield server
    server.stop()


@pytest.fixture
def server(_server: StorageServer, monkeypatch: pytest.MonkeyPatch) -> Iterator[StorageServer]:
    """A server that answers, and the variables by which it is reached."""
    for name, value in _server.environment.items():
        monkeypatch.setenv(name, value)
    storage_of.cache_clear()
    yield _server
    storage_of.cache_clear()
