"""Makes the pictures of the README from one seeded run of the demo.

    python tests/benchmarks/pictures.py [FOLDER]

The page on a desk and the terminal's board while the crawler scans, the result on a phone, and the
picture of the survey, as `page.png`, `terminal.png`, `phone.png` and `survey.png`. FOLDER is that of
the guide's images by default. It needs Debian's chromium and chromium-driver.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import shutil
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.browser import Browser
from swathe.board import Board, Stations
from swathe.demo import play
from swathe.live import Daemon
from swathe.live.run_panel import RunPanel
from swathe.page import Page

_IMAGES = Path(__file__).parents[2] / "daemon" / "guide" / "images"
_SEED = 7
# Slower than the demo's own, so that a busy machine leaves no gaps.
_SPEED = 4.0
# Of the plan; the crawler has been round the lug and has lost its coupling once.
_MOMENT_PERCENT = 62.0
_DESK, _PHONE = (1280, 860), (390, 844)
_COLUMNS, _ROWS = 100, 34


class Photographer:
    """Takes the pictures of a run under way; shown each of its ticks.

    Args:
        browser: an open browser.
        out: folder of the pictures.
    """

    def __init__(self, browser: Browser, out: Path) -> None:
        self._browser, self._out = browser, out
        self._stations = Stations()
        self._board: Board | None = None
        self._url = ""
        self._console = Console(
            file=io.StringIO(), record=True, width=_COLUMNS, height=_ROWS, force_terminal=True
        )
        self.work: asyncio.Task[None] | None = None

    def take_page(self, page: Page) -> None:
        """Note the address of the page."""
        self._url = page.url

    def show(self, daemon: Daemon) -> None:
        """Follow the run, and begin once so much of the plan is measured."""
        for topic, message in daemon.mirror.messages.items():
            self._stations.put(topic, message, now=time.monotonic())
        if self._board is None:
            self._board = Board(self._console, self._stations, RunPanel(daemon), ring=lambda: None)
        far = self.work is None and daemon.pipeline.progress().percent >= _MOMENT_PERCENT
        if far and _is_at_work(daemon):
            self._console.print(self._board.render())
            svg = self._console.export_svg(title="swathe demo")
            self.work = asyncio.create_task(asyncio.to_thread(self._take, svg))

    def _take(self, svg: str) -> None:
        browser = self._browser
        browser.shape(*_DESK)
        browser.theme("light")
        browser.open(self._url)
        settled = "return document.getElementById('map').dataset.settled"
        browser.wait(lambda: browser.run(settled) == "true", 30, "the map")
        browser.wait(lambda: browser.all("#gap-list li"), 30, "a gap")
        browser.wait(lambda: browser.text("#run") == "scanning", 60, "the raster")
        browser.wait(lambda: browser.text("#crawler-state") == "MOVING:", 60, "a move")
        browser.screenshot(self._out / "page.png")
        with TemporaryDirectory() as folder:
            path = Path(folder) / "terminal.svg"
            path.write_text(svg, "utf-8")
            handle = browser.driver.current_window_handle
            browser.driver.switch_to.new_window("tab")
            browser.driver.get(path.as_uri())
            size = browser.run(
                "const b = document.documentElement.viewBox.baseVal; return [b.width, b.height]"
            )
            browser.shape(round(size[0]), round(size[1]))
            browser.screenshot(self._out / "terminal.png")
            browser.driver.close()
            browser.driver.switch_to.window(handle)
        browser.shape(*_PHONE, sharpness=1.5, touch=True)

    def take_result(self) -> None:
        """Take the page as it is once the station is gone."""
        self._browser.wait(lambda: len(self._browser.all(".download")) == 3, 30, "the result")
        self._browser.run("document.activeElement.blur(); scrollTo(0, 0)")
        self._browser.screenshot(self._out / "phone.png")


def _is_at_work(daemon: Daemon) -> bool:
    """Return whether the crawler scans the raster: no pause, no homing, no halt."""
    crawl, pauses = daemon.crawl, daemon.pipeline.pauses
    return crawl is not None and crawl.raster.line is not None and not pauses.active


def main() -> None:
    """Make the pictures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("folder", nargs="?", type=Path, default=_IMAGES)
    out: Path = parser.parse_args().folder
    out.mkdir(parents=True, exist_ok=True)

    async def run(photographer: Photographer, survey: Path) -> None:
        result = await play(
            survey, speed=_SPEED, seed=_SEED, observer=photographer, on_page=photographer.take_page
        )
        if photographer.work is not None:
            await photographer.work
        if result.outcome.status != "complete" or result.picture is None:
            sys.exit(f"the run was disturbed, try again: {result.outcome.reason}")
        shutil.copyfile(result.picture, out / "survey.png")

    with Browser() as browser, TemporaryDirectory(prefix="swathe-") as folder:
        photographer = Photographer(browser, out)
        asyncio.run(run(photographer, Path(folder)))
        photographer.take_result()
    for path in sorted(out.glob("*.png")):
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
