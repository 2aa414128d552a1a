"""Debian's Chromium, driven by its own ChromeDriver."""

from __future__ import annotations

import base64
import os
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Any, Self

import pytest
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from support.broker import require

__all__ = ["Browser", "axe_source"]

_ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
# Where `.ci/run` has npm put it.
_AXE = Path(__file__).parents[2] / ".tools/node_modules/axe-core/axe.min.js"


def axe_source() -> str:
    """Return axe-core's text, or skip (fail under CI) telling how to get it."""
    path = Path(os.environ.get("SWATHE_AXE", _AXE))
    if not path.is_file():
        message = "no axe-core; run `npm install --prefix .tools --no-save axe-core`"
        if os.environ.get("SWATHE_REQUIRE_ALL") == "1":
            pytest.fail(message)
        pytest.skip(message)
    return path.read_text("utf-8")


class Browser:
    """A browser with one window; a context manager."""

    def __init__(self) -> None:
        self._program = require("chromium", "chromium")
        self._service = Service(require("chromedriver", "chromium-driver"))

    def __enter__(self) -> Self:
        self._profile = TemporaryDirectory(prefix="swathe-", ignore_cleanup_errors=True)
        options = ChromeOptions()
        options.binary_location = self._program
        for argument in (*_ARGUMENTS, f"--user-data-dir={self._profile.name}"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = Chrome(options=options, service=self._service)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.driver.quit()
        self._profile.cleanup()

    def open(self, url: str) -> None:
        """Open a page, as one that was never here before."""
        self.driver.get("about:blank")
        self.complaints()  # what an earlier page had to say
        self.driver.execute_cdp_cmd("Network.clearBrowserCookies", {})
        origin = url.partition("#")[0].rstrip("/")
        self.driver.execute_cdp_cmd(
            "Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "all"}
        )
        self.driver.get(url)

    def shape(self, width: int, height: int, *, sharpness: float = 1, touch: bool = False) -> None:
        """Give the screen a size in CSS pixels."""
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": sharpness, "mobile": touch},
        )

    def theme(self, name: str) -> None:
        """Prefer light or dark."""
        feature = {"name": "prefers-color-scheme", "value": name}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})

    def find(self, selector: str) -> WebElement:
        """Return the first element that matches."""
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[WebElement]:
        """Return every element that matches."""
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def text(self, selector: str) -> str:
        """Return an element's text in the document, visible or not."""
        return str(self.run("return document.querySelector(arguments[0]).textContent", selector))

    def run(self, script: str, *arguments: object) -> Any:
        """Run a script in the page and return what it returns, with plain spaces."""
        return _plain(self.driver.execute_script(script, *arguments))

    def run_to_end(self, script: str, *values: Any) -> Any:
        """Run a script that calls its last argument when it is done; return what it gives, likewise.

        Its other arguments are `values`.
        """
        self.driver.set_script_timeout(60)
        return _plain(self.driver.execute_async_script(script, *values))

    def wait(self, condition: Callable[[], object], seconds: float, what: str) -> None:
        """Wait until a condition holds; an element that is drawn again meanwhile is looked for again."""
        end = time.monotonic() + seconds
        while not _holds(condition):
            assert time.monotonic() < end, f"{what}: not within {seconds:g} s"
            time.sleep(0.03)

    def complaints(self) -> list[str]:
        """Return errors that the browser logged since the last call: scripts, policy, loading."""
        return [
            entry["message"]
            for entry in self.driver.get_log("browser")  # type: ignore[no-untyped-call]
            if entry["level"] == "SEVERE"
        ]

    def screenshot(self, path: Path) -> None:
        """Take a picture of the window."""
        taken = self.driver.execute_cdp_cmd("Page.captureScreenshot", {})
        path.write_bytes(base64.b64decode(taken["data"]))


def _plain(value: Any) -> Any:
    """Return a value whose texts have spaces where a line must not break, as a reader sees them."""
    if isinstance(value, str):
        return value.replace("\u00a0", " ")
    if isinstance(value, list):
        return [_plain(one) for one in value]
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return value


def _holds(condition: Callable[[], object]) -> bool:
    try:
        return bool(condition())
    except StaleElementReferenceException:
        return False
