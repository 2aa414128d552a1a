"""Nothing that a test opens may outlive it."""

from collections.abc import Iterator

import pytest

from swathe_drivers.testing import nothing_left_behind as watched


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread or a file descriptor behind."""
    with watched():
        yield
