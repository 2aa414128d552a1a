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
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

from support.browser import Browser
from support.crawl import crawl_station, crawler_of, crawler_scenario, moved
from support.daemon import DaemonProcess, station_text, wait_for
from support.page import reachable
from swathe.live import free_port
from swathe.store import read_survey_record
from swathe_simulators import World, builtin_scenario, load_scenario

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
    """Run the demo in a process of its own; yields it and the page's address as it is printed."""
    text = out / "output.txt"
    with text.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "demo", "--headless", "--speed", str(speed),
             "--out", str(out / "demo")],
            stdout=output,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
    try:
        wait_for(lambda: "page: " in text.read_text("utf-8"), 30, "the page's address")
        found = re.search(r"page: (http\S+)", text.read_text("utf-8"))
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
        browser.wait(lambda: "no signal" in browser.text("#gap-list"), 60, "the lost coupling")
        # Highlighted when it is reached by the keyboard.
        focus = "document.querySelector('#gap-list button').focus();"
        found = "return document.querySelectorAll('#gap-list button.chosen').length"
        # In one go: the list is drawn anew with each change, and a gap may be gone by then.
        browser.wait(lambda: browser.run(focus + found), 20, "a chosen gap")
        browser.run("document.activeElement.blur()")
        browser.wait(lambda: browser.text("#percent") == "100.00", 90, "everything covered")
        browser.wait(lambda: not browser.all("#gap-list li"), 20, "an empty list")
        assert browser.text("#gap-more") == "No open gaps."
        assert browser.text("#gap-closed").startswith("Last closed: gap")
        browser.wait(
            lambda: browser.text("#result-title") == "✓ The plan is covered", 20, "the end"
        )
        assert process.wait(60) == 0
        assert [link.text.split(",")[0] for link in browser.all(".download")] == [
            "↓ Picture", "↓ Report", "↓ Data (zarr)",
        ]  # fmt: skip
        assert not browser.run("return document.body.classList.contains('lost')")
    record = read_survey_record(tmp_path / "demo" / "penstock-3" / "survey.json")
    # The two stretches of lost coupling at least; on a busy machine the crawler is held up.
    assert len(record.gaps) >= 2
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
    text = browser.text("#banner")
    assert re.fullmatch(
        r"No connection to the station since \d\d?:\d\d:\d\d.*; it was scanning then: killed, without "
        r"power, or out of reach\. This data is old",
        text,
    )
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
        "const events = new EventSource('/events');"
        "for (const name of ['beat', 'news', 'pixels'])"
        "  events.addEventListener(name, () => { window.lastReceived = performance.now(); });"
        "new MutationObserver(() => { window.shownAt = performance.now(); })"
        "  .observe(document.getElementById('banner'), {childList: true});"
    )
    browser.wait(lambda: browser.run("return window.lastReceived > 0"), 20, "a beat")
    process.signal(signal.SIGSTOP)
    browser.wait(lambda: browser.text("#banner") != "", 20, "the banner")
    assert 1000 < browser.run("return window.shownAt - window.lastReceived") < 2000
    process.signal(signal.SIGCONT)
    browser.wait(lambda: browser.text("#banner") == "", 20, "contact again")


@pytest.mark.core
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
    browser.find("[data-command=stop]").click()
    browser.find("#confirm-by").send_keys("crew")
    browser.find("#confirm-yes").click()
    code, output = process.finish()
    assert code == 3
    assert f"page: http://127.0.0.1:{port}/" in output
    assert "stopped from the page by crew" in output
    browser.wait(lambda: browser.find("#result").is_displayed(), 20, "the result")
    assert json.loads((tmp_path / "survey" / "survey.json").read_text())["status"] == "incomplete"


@dataclass(frozen=True)
class Ongoing:
    """A run in which gaps are open already, and stay so: nobody goes back.

    Attributes:
        url: of its page.
        survey: its folder.
    """

    url: str
    survey: Path


@pytest.fixture(scope="module")
def ongoing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ongoing]:
    """Return a run that goes on, the same for all that ask something of it."""
    folder, port = tmp_path_factory.mktemp("ongoing"), free_port()
    scenario = load_scenario(builtin_scenario("penstock"))
    with TemporaryDirectory(prefix="swathe-") as links:
        text = station_text("penstock", Path(links), speed=20)
        text = text.replace("[scan]", 'alert_below = "13.5 mm"\n[scan]', 1)
        station = folder / "station.toml"
        station.write_text(f"{text}\n[page]\nport = {port}\n")
        with World(scenario, ports_dir=Path(links), speed=20):
            process = DaemonProcess(station)
            try:
                wait_for(lambda: reachable(port), 30, "the page")
                yield Ongoing(f"http://127.0.0.1:{port}/", folder / "survey")
            finally:
                process.close()


def agree(browser: Browser, by: str = "") -> str:
    """Say yes to the page's question, by name where it does not know it; return the answer."""
    browser.run("document.getElementById('reply').textContent = ''")
    if by:
        browser.find("#confirm-by").send_keys(by)
    browser.find("#confirm-yes").click()
    browser.wait(lambda: browser.text("#reply")[:1] in ("✓", "✕"), 10, "the answer")
    return browser.text("#reply")


@pytest.fixture
def board(chromium: Browser, ongoing: Ongoing) -> Browser:
    """Return the browser with the page of the run that goes on."""
    chromium.shape(1920, 1080)
    chromium.open(ongoing.url)
    chromium.wait(lambda: chromium.all("#gap-list li"), 90, "the gaps")
    return chromium


def test_alarms_are_acknowledged_in_a_pause(board: Browser) -> None:
    """Gaps and a thin wall are alarms: one is shown on the map, one acknowledged by name.

    Meanwhile it is paused, so that no further gap makes another alarm of it.
    """

    def whats() -> list[str]:
        script = (
            "return [...document.querySelectorAll('#alarm-list .what')].map((e) => e.innerText)"
        )
        return [str(what) for what in board.run(script)]

    wanted = {"Gap opened", "Wall below alert level"}
    board.wait(lambda: wanted <= set(whats()), 30, "the alarms")
    board.find("[data-command=pause]").click()
    board.find("#confirm-reason").send_keys("couplant is refilled")
    assert agree(board, "A. Kern").startswith("✓ Accepted: paused")
    board.wait(lambda: board.find("#paused").is_displayed(), 10, "the pause")
    assert board.text("#paused-reason") == "couplant is refilled (A. Kern)"
    if board.find("#alarms-all").is_displayed():
        board.find("#alarms-all").click()
    thin = board.all("#alarm-list li")[whats().index("Wall below alert level")]
    assert re.search(r"below 13.5 mm · scan [\d.–]+ mm, index [\d.–]+ mm · since", thin.text)
    picture = "return document.getElementById('map').toDataURL()"
    before = board.run(picture)
    thin.find_element("css selector", ".where").click()
    board.wait(lambda: board.run(picture) != before, 10, "the mark on the map")
    gaps = board.all("#alarm-list li")[whats().index("Gap opened")]
    gaps.find_element("css selector", ".seen").click()
    text = r"✓ Accepted: alarm \d+ \(gaps open\) is acknowledged by A. Kern"
    assert re.fullmatch(text, agree(board))
    known = "return document.querySelector('#alarm-list .known')?.textContent ?? ''"
    board.wait(lambda: "acknowledged by A. Kern" in board.run(known), 10, "its new look")
    assert "Gap opened" in board.run(known)
    board.find("#paused-resume").click()
    assert agree(board) == "✓ Accepted: resumed"
    board.wait(lambda: not board.find("#paused").is_displayed(), 10, "its end")


def test_gap_is_asked_for_again(board: Browser) -> None:
    """A gap that is wanted comes first, in the list and in what is next by hand."""
    # The oldest one is merged into no other.
    row = min(board.all("#gap-list li"), key=lambda one: int(one.get_attribute("data-key") or 0))
    name = row.find_element("css selector", ".unseen").get_attribute("textContent") or ""
    row.find_element("css selector", ".rescan").click()
    text = agree(board, "A. Kern")
    assert text.startswith("✓ Accepted: ")
    assert "is wanted, number" in text
    board.find("#part").click()  # away from the list, which else keeps its order
    first = "return document.querySelector('#gap-list li').textContent"
    board.wait(
        lambda: "★ re-scan requested by A. Kern, number 1" in board.run(first), 10, "it first"
    )
    assert name in board.run(first)
    assert re.match(r"Next: line \d+ again, from [\d,]+ to [\d,]+ mm", board.text("#next .first"))


def test_zone_is_left_out(board: Browser) -> None:
    """A zone given by its borders is no longer required; one outside the plan is refused."""
    required = "return document.getElementById('cover-text').textContent"
    before = int(
        re.findall(r"of ([\d\u202f]+) cells", board.run(required))[0].replace("\u202f", "")
    )
    for ends, answer in (
        ((699, 721, 197, 203), "✓ Accepted: excluded 6 cells: nozzle"),
        ((5000, 5010, 0, 9), "✕ Refused: no required cell has its centre"),
    ):
        board.find("[data-command=exclude]").click()
        for side, value in zip(
            ("scan-from", "scan-to", "index-from", "index-to"), ends, strict=True
        ):
            board.find(f"#zone-{side}").send_keys(str(value))
        board.find("#zone-name").send_keys("nozzle")
        by = "" if board.find("#confirm-by").get_attribute("value") else "A. Kern"
        assert agree(board, by).startswith(answer)
    text = f"{before - 6:,} cells".replace(",", "\u202f")
    board.wait(lambda: text in board.run(required), 10, "fewer cells")
    script = "return fetch('/cell/25/178').then((a) => a.json())"
    assert board.run(script)["state"] == "excluded"


@pytest.mark.parametrize("way", ["stop", "let go"])
def test_crawler_is_held_and_stopped(
    chromium: Browser, serve: Serve, daemon: Start, ports: Path, tmp_path: Path, way: str
) -> None:
    """It moves while the dead man is held; STOP, or letting go, brings it to rest."""
    browser = chromium
    browser.shape(1280, 800)
    port = free_port()
    station = tmp_path / "station.toml"
    page = f"\n[page]\nport = {port}\n"
    station.write_text(crawl_station(ports, speed=5, guard='heartbeat = "1500 ms"', rest=page))
    world = serve(crawler_scenario(coupling=False), speed=5)
    process = daemon(station, "--arm")
    wait_for(lambda: reachable(port), 30, "the page")
    browser.open(f"http://127.0.0.1:{port}/")
    browser.wait(lambda: "hold the dead man" in browser.text("#paused-todo"), 20, "what to do")
    assert moved(world) == 0
    browser.run("document.getElementById('hold').focus()")
    ActionChains(browser.driver).key_down(Keys.SPACE).perform()
    browser.wait(lambda: browser.text("#crawler-state").startswith("MOVING"), 20, "motion")
    browser.wait(lambda: moved(world) > 60, 20, "a way")
    if way == "stop":
        browser.find("#crawler [data-stop]").click()
    ActionChains(browser.driver).key_up(Keys.SPACE).perform()
    code, output = process.finish(30)
    if way == "stop":
        assert (code, "stopped from the page by page" in output) == (3, True), output
    else:
        assert (code, "heartbeat lost: no sign of life for 1." in output) == (4, True), output
    gone = moved(world)
    time.sleep(0.5)
    assert moved(world) == pytest.approx(gone, abs=1e-6)
    assert crawler_of(world).log.violations == []
    browser.wait(lambda: "the run is over" in browser.text("#crawler-state"), 10, "the last words")


def measured(browser: Browser) -> int:
    """Return how many cells the page says are measured."""
    found = re.match(r"([\d\u202f]+) of", browser.text("#cover-text"))
    return int(found[1].replace("\u202f", "")) if found else -1
