"""The page of a real daemon in Debian's Chromium: gaps come and go, contact is lost and found."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest

from support.browser import Browser
from support.daemon import DaemonProcess, station_text, wait_for
from swathe.live import free_port
from swathe.store import read_record
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a running browser."""
    with Browser() as browser:
        yield browser


@contextmanager
def demo(out: Path, *, speed: float) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Run the demo in a process of its own; yields it and the page's address as it is told."""
    told = out / "told.txt"
    with told.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "demo", "--headless", "--speed", str(speed),
             "--out", str(out / "demo")],
            stdout=output,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
    try:
        wait_for(lambda: "page: " in told.read_text("utf-8"), 30, "the page's address")
        found = re.search(r"page: (http\S+)", told.read_text("utf-8"))
        assert found is not None
        yield process, found[1]
    finally:
        process.kill()
        process.wait(20)


def test_demo_gaps_appear_and_are_gone_back_to(chromium: Browser, tmp_path: Path) -> None:
    """In the demo gaps come up in the list, on the map, and go once the crawler was there."""
    browser = chromium
    browser.shape(1920, 1080)
    with demo(tmp_path, speed=10) as (process, url):
        browser.open(url)
        browser.wait(lambda: browser.text("#part").startswith("Penstock 3"), 20, "the plan")
        browser.wait(lambda: browser.all("#gap-list li"), 60, "a gap in the list")
        browser.wait(lambda: "passed too fast" in browser.text("#gap-list"), 60, "the fast stretch")
        # Highlighted when it is reached by the keyboard.
        browser.run("document.querySelector('#gap-list button').focus()")
        assert browser.all("#gap-list button.chosen")
        browser.run("document.activeElement.blur()")
        browser.wait(lambda: browser.text("#percent") == "100", 90, "everything covered")
        browser.wait(lambda: not browser.all("#gap-list li"), 20, "an empty list")
        assert browser.text("#gap-more") == "Nothing: no gap is left behind."
        assert browser.text("#gap-closed").startswith("Last one closed: gap")
        browser.wait(lambda: browser.text("#banner").startswith("The run ended at"), 20, "the end")
        assert browser.text("#banner").endswith(
            "the plan is covered. What you see stays as it was."
        )
        assert process.wait(60) == 0
    record = read_record(tmp_path / "demo" / "penstock-3" / "survey.json")
    assert len(record.gaps) > 2
    assert not record.open_gaps


def test_contact_is_lost_within_two_seconds_and_found(
    chromium: Browser, serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """A killed daemon shows within 2 s; once it runs again the page is whole by itself."""
    browser = chromium
    port = free_port()
    station = tmp_path / "station.toml"
    page = f"\n[page]\nport = {port}\n"
    station.write_text(station_text("penstock", ports, speed=4) + page)
    serve("penstock", speed=4)
    process = daemon(station)
    wait_for(lambda: reachable(port), 30, "the page")
    browser.open(f"http://127.0.0.1:{port}/")
    browser.wait(lambda: measured(browser) > 300, 60, "a first stretch")
    browser.wait(lambda: browser.text("#banner") == "", 10, "contact")
    process.signal(signal.SIGKILL)
    killed = time.monotonic()
    browser.wait(lambda: browser.text("#banner") != "", 20, "the banner")
    assert time.monotonic() - killed < 2
    told = browser.text("#banner")
    assert re.fullmatch(r"No contact with the station since .+: what you see is old", told)
    assert browser.run("return document.body.classList.contains('lost')")
    process.finish()
    before = measured(browser)
    daemon(station)
    browser.wait(lambda: browser.text("#banner") == "", 60, "contact again")
    assert not browser.run("return document.body.classList.contains('lost')")
    browser.wait(lambda: measured(browser) > before + 200, 60, "the survey going on")
    # The map too: what it shows of each cell is what the daemon has.
    script = "return document.getElementById('map').dataset.settled"
    browser.wait(lambda: browser.run(script) == "true", 20, "the map")


def test_stopped_daemon_shows_within_two_seconds(
    chromium: Browser, serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """A daemon that hangs, its connections still open, is seen to be silent, and to come back."""
    browser = chromium
    port = free_port()
    station = tmp_path / "station.toml"
    page = f"\n[page]\nport = {port}\n"
    station.write_text(station_text("penstock", ports, speed=1) + page)
    serve("penstock", speed=1)
    process = daemon(station)
    wait_for(lambda: reachable(port), 30, "the page")
    browser.open(f"http://127.0.0.1:{port}/")
    browser.wait(lambda: measured(browser) >= 0, 30, "the figures")
    browser.wait(lambda: browser.text("#banner") == "", 10, "contact")
    # The browser's own clock tells: this machine may be busy with other things.
    browser.run(
        "const heard = new EventSource('/events');"
        "for (const name of ['beat', 'news', 'pixels'])"
        "  heard.addEventListener(name, () => { window.lastHeard = performance.now(); });"
        "new MutationObserver(() => { window.shownAt = performance.now(); })"
        "  .observe(document.getElementById('banner'), {childList: true});"
    )
    browser.wait(lambda: browser.run("return window.lastHeard > 0"), 20, "a beat")
    process.signal(signal.SIGSTOP)
    browser.wait(lambda: browser.text("#banner") != "", 20, "the banner")
    assert 1000 < browser.run("return window.shownAt - window.lastHeard") < 2000
    process.signal(signal.SIGCONT)
    browser.wait(lambda: browser.text("#banner") == "", 20, "contact again")


def test_stop_from_the_page(
    chromium: Browser, serve: Serve, daemon: Start, ports: Path, tmp_path: Path
) -> None:
    """A run that is stopped from the page ends in good order and says who stopped it."""
    browser = chromium
    port = free_port()
    station = tmp_path / "station.toml"
    page = f"\n[page]\nport = {port}\n"
    station.write_text(station_text("penstock", ports, speed=4) + page)
    serve("penstock", speed=4)
    process = daemon(station)
    wait_for(lambda: reachable(port), 30, "the page")
    browser.open(f"http://127.0.0.1:{port}/")
    browser.wait(lambda: measured(browser) > 100, 60, "a first stretch")
    browser.find("[data-say=stop]").click()
    browser.find("#ask-by").send_keys("crew")
    browser.find("#ask-yes").click()
    code, output = process.finish()
    assert code == 3
    assert f"page: http://127.0.0.1:{port}/" in output
    assert "stopped from the page by crew" in output
    browser.wait(lambda: browser.text("#banner").startswith("The run ended at"), 20, "the end")
    assert json.loads((tmp_path / "survey" / "survey.json").read_text())["status"] == "incomplete"


def reachable(port: int) -> bool:
    """Return whether the page answers."""
    try:
        with urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def measured(browser: Browser) -> int:
    """Return how many cells the page says are measured."""
    found = re.match(r"([\d\u202f]+) of", browser.text("#cover-text"))
    return int(found[1].replace("\u202f", "")) if found else -1
