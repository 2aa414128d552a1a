"""Fixtures of tests that need an object storage: a server of the module, and how it is reached."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.storage import StorageServer, storage_server
from swathe.object_storage.stores import storage_of

__all__ = ["module_server", "server"]


@pytest.fixture(scope="module")
def module_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StorageServer]:
    """A server of one module."""
    made = storage_server(tmp_path_factory.mktemp("objects"))
    yield made
    made.stop()


@pytest.fixture
def server(
    module_server: StorageServer, monkeypatch: pytest.MonkeyPatch
) -> Iterator[StorageServer]:
    """A server that answers, and the variables by which it is reached."""
    for name, value in module_server.environment.items():
        monkeypatch.setenv(name, value)
    storage_of.cache_clear()
    yield module_server
    storage_of.cache_clear()
