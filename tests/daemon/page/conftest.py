"""A browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.board import COLUMNS, ROWS, play, settle
from support.browser import Browser
from support.page import PlayedSource, ServedPage


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


@pytest.fixture
def served() -> Iterator[ServedPage]:
    """Return a served page with a survey under way."""
    source = PlayedSource(ROWS, COLUMNS)
    play(source)
    with ServedPage(source) as page:
        yield page


@pytest.fixture
def board(browser: Browser, served: ServedPage) -> Browser:
    """Return the browser with the page open and drawn."""
    browser.open(served.page.url)
    settle(browser)
    return browser
