"""`swathe view` in Debian's Chromium: the page of a run, without what only a run has."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium.webdriver.common.keys import Keys

from daemon.exports import write_map
from support.browser import Browser, axe_source

pytestmark = pytest.mark.slow


@contextmanager
def viewing(survey: Path) -> Iterator[subprocess.Popen[str]]:
    """Run the command on a survey; it is killed if it has not ended."""
    program = [str(Path(sys.executable).with_name("swathe")), "view", str(survey)]
    viewer = subprocess.Popen(program, stdout=subprocess.PIPE, text=True)
    try:
        yield viewer
    finally:
        viewer.kill()
        viewer.communicate()


def test_view_shows_readings_and_has_no_commands(browser: Browser, tmp_path: Path) -> None:
    """Map, gaps, a reading and its line; no control that would command; no complaint, no violation."""
    write_map(tmp_path / "penstock-3")
    with viewing(tmp_path / "penstock-3") as viewer:
        assert viewer.stdout is not None
        url = viewer.stdout.readline().removeprefix("page: ").strip()
        browser.open(url)
        browser.wait(lambda: browser.all("#gap-list li"), 20, "the gaps")
        assert browser.text("#run") == "incomplete, read only"
        assert browser.text("#result-title") == "The plan is not covered"
        assert not browser.all("[data-live], [data-command], [data-now], dialog, .rescan, .seen")
        assert "not scanned" in browser.text("#key")
        browser.find("#map").send_keys(Keys.ENTER)
        browser.wait(lambda: browser.all("#profile svg, #profile canvas"), 10, "the line")
        assert browser.text("#reading-state").endswith(
            (" mm, measured", "No signal", "Not scanned")
        )
        browser.find("#units").click()
        assert " in" in browser.text("#result-figures")
        browser.run(axe_source())
        found = browser.run_to_end(
            "axe.run().then((made) => arguments[0](made.violations.map((one) => one.id)))"
        )
        assert found == []
        assert browser.complaints() == []
        viewer.send_signal(signal.SIGINT)
        browser.wait(lambda: "has ended" in browser.text("#banner"), 10, "the banner")
        assert browser.text("#result-title") == "The plan is not covered"
        assert viewer.wait(10) == 3
