"""A browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.browser import Browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a running browser."""
    with Browser() as browser:
        yield browser


@pytest.fixture
def browser(chromium: Browser) -> Browser:
    """Return the browser as wide as a desk's screen, light."""
    chromium.shape(1280, 900)
    chromium.theme("light")
    return chromium
