"""What the page tells loudly, and what it tells the station, for a daemon that the test plays."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

from support.board import alarm, gap, play_alarms, point, progress, settle
from support.browser import Browser
from support.crawl import crawl_station
from support.page import PlayedSource, ServedPage
from swathe.page import HandGuidance
from swathe.station import parse_station

pytestmark = pytest.mark.slow


@pytest.fixture
def belt(browser: Browser, tmp_path: Path) -> Iterator[ServedPage]:
    """Return a page of a crawler's run with a dead man, open in the browser."""
    text = crawl_station(tmp_path, guard='heartbeat = "600 ms"')
    source = PlayedSource(station=parse_station(text, "belt.toml"))
    source.say("progress", **progress())
    source.crawl("disarmed", "waiting for the dead man: 'alive' commands")
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)
        browser.wait(lambda: browser.find("#crawler").is_displayed(), 10, "the crawler's bar")
        yield served


def whats(browser: Browser) -> list[str]:
    """Return what the alarms are called, as they stand there."""
    return [item.text for item in browser.all("#alarm-list .what")]


def test_alarms_gravest_first_and_folded(board: Browser, served: ServedPage) -> None:
    """Raised alarms are above those that are over, new ones first; more than two are folded."""
    assert not board.find("#alarms").is_displayed()
    served.call(lambda: play_alarms(served.source))
    board.wait(lambda: board.find("#alarms").is_displayed(), 10, "the alarms")
    board.wait(lambda: board.text("#alarms-title") == "4 new alarms", 10, "their number")
    assert whats(board) == ["Port lost: gauge", "Gap opened"]
    assert board.text("#alarms-all") == "Show all 5"
    board.find("#alarms-all").click()
    assert whats(board) == [
        "Port lost: gauge", "Gap opened", "Wall below alert level", "Calibration check overdue",
        "Too fast",
    ]  # fmt: skip
    classes = [item.get_attribute("class") for item in board.all("#alarm-list li")]
    assert classes == ["new", "new", "new", "known", "over"]
    signs = [item.text for item in board.all("#alarm-list .sign")]
    assert signs == ["▲", "▲", "▲", "✓", "△"]
    assert "acknowledged by A. Kern at" in board.text("#alarm-list .known .detail")
    assert "since " in board.text("#alarm-list .new .detail")
    assert board.run("return document.title") == "▲ 4 bench: coverage"
    # Announced: those that came together as a number, a further one as its text.
    text = "3 unacknowledged alarms"
    board.wait(lambda: board.text("#alarm-live") == text, 10, "the number")
    served.call(lambda: served.source.say("alarm/6", **alarm(6, "coupling lost", "no echo")))
    text = "Alarm: Coupling lost, no echo"
    board.wait(lambda: board.text("#alarm-live") == text, 10, "the new one")
    assert board.find("#alarm-live").get_attribute("aria-live") == "assertive"
    assert not board.complaints()


def test_alarm_shows_its_place(board: Browser, served: ServedPage) -> None:
    """An alarm with a place tells it and shows it, marked, on the map; one without offers none."""
    place = {"scan": {"from": 50.0, "to": 52.0}, "index": {"from": 30.0, "to": 31.0}}

    def play() -> None:
        served.source.say("alarm/1", **alarm(1, "below alert", "7.90 mm", **place))
        served.source.say("alarm/2", **alarm(2, "gaps open", "3 open"))

    served.call(play)
    board.wait(lambda: len(whats(board)) == 2, 10, "the alarms")
    shown = [button.is_displayed() for button in board.all("#alarm-list .where")]
    assert shown == [False, True]
    assert "scan 50.0–52.0 mm, index 30.0–31.0 mm" in board.all("#alarm-list .detail")[1].text
    for _ in range(4):
        board.find("#zoom-in").click()
    settle(board)
    board.all("#alarm-list .where")[1].click()
    width, height = board.run(
        "const m = document.getElementById('map'); return [m.width, m.height]"
    )

    def in_sight() -> bool:
        x, y = point(board, 51, 30.5)
        return bool(0 < x < width and 0 < y < height)

    board.wait(in_sight, 10, "the place on the map")
    before = board.run("return document.getElementById('map').toDataURL()")
    canvas = board.find("#map")
    ActionChains(board.driver, duration=20).click(canvas).perform()  # a tap takes the mark away
    board.wait(
        lambda: board.run("return document.getElementById('map').toDataURL()") != before,
        10,
        "the map",
    )


def test_alarms_are_acknowledged_by_name(board: Browser, served: ServedPage) -> None:
    """The name is asked for, kept in this browser, and sent with each alarm; none goes without."""
    served.call(lambda: play_alarms(served.source))
    board.wait(lambda: len(whats(board)) == 2, 10, "the alarms")
    board.find("#alarm-list .seen").click()
    assert board.text("#confirm-title") == "Acknowledge: Port lost (gauge)?"
    board.find("#confirm-by").send_keys(Keys.ENTER)  # nobody
    assert board.find("#confirm").is_displayed()
    board.find("#confirm-by").send_keys("B. Holm", Keys.ENTER)
    board.wait(lambda: len(served.source.commands) == 1, 10, "the command")
    seen = {"acknowledged_by": "B. Holm", "acknowledged": "2030-01-01T10:03:00Z"}
    port = alarm(5, "port lost", "lost: gone", device="gauge", **seen)
    served.call(lambda: served.source.say("alarm/5", **port))
    board.wait(lambda: whats(board)[0] == "Gap opened", 10, "the next ones")
    assert not board.find("#alarms-acknowledge").is_displayed()  # not all of them are seen yet
    board.find("#alarms-all").click()
    board.find("#alarms-acknowledge").click()
    assert board.text("#confirm-title") == "Acknowledge 3 alarms?"
    assert board.find("#confirm-by").get_attribute("value") == "B. Holm"
    board.find("#confirm-yes").click()
    board.wait(lambda: len(served.source.commands) == 4, 10, "the other commands")
    sent = [(one.command, one.alarm, one.by) for one in served.source.commands]
    assert sent == [("acknowledge", number, "B. Holm") for number in (5, 2, 1, 4)]
    assert len({one.id for one in served.source.commands}) == 4


def test_pause_and_its_end(board: Browser, served: ServedPage) -> None:
    """A pause is loud, with who and why; it is ended from there, but not one of the crawler's."""
    board.find("[data-command=pause]").click()
    board.find("#confirm-reason").send_keys("couplant is refilled")
    board.find("#confirm-by").send_keys("crew", Keys.ENTER)
    board.wait(lambda: len(served.source.commands) == 1, 10, "the command")
    (command,) = served.source.commands
    assert (command.command, command.text) == ("pause", "couplant is refilled")
    state = {"state": "paused", "time": "2030-01-01T10:00:00Z"}
    served.call(lambda: served.source.say("state", reason="couplant is refilled (crew)", **state))
    board.wait(lambda: board.find("#paused").is_displayed(), 10, "the pause")
    assert board.text("#run") == "PAUSED"
    assert board.text("#paused-reason") == "couplant is refilled (crew)"
    assert not board.find(".command-buttons [data-command=pause]").is_displayed()
    board.find("#paused-resume").click()
    board.find("#confirm-yes").click()
    board.wait(lambda: len(served.source.commands) == 2, 10, "the second command")
    assert served.source.commands[1].command == "resume"
    served.call(lambda: served.source.say("state", reason="homing (crawler)", **state))
    board.wait(lambda: board.text("#paused-reason") == "homing", 10, "the crawler's own pause")
    assert not board.find("#paused-resume").is_displayed()

    def wait_for_a_person() -> None:
        todo = "press g at the station, or Resume here"
        served.source.crawl("stopped", "waiting", todo=todo, resume_from=["station", "page"])
        served.source.say("state", **{**state, "state": "waiting", "reason": "slip", "todo": todo})

    served.call(wait_for_a_person)
    board.wait(lambda: board.text("#paused-title").startswith("WAITING"), 10, "that it waits")
    assert board.text("#paused-todo") == "▶ press g at the station, or Resume here"
    assert board.find("#paused-resume").is_displayed()


def test_gap_is_wanted_again_from_the_list(board: Browser, served: ServedPage) -> None:
    """Each gap of an entry is asked for; a wanted place comes first, with who wants it."""
    board.wait(lambda: len(board.all("#gap-list .go")) == 2, 10, "the list")
    board.find("#gap-list .rescan").click()
    assert board.text("#confirm-title") == "Re-scan 2 gaps (2 … 3)?"
    board.find("#confirm-by").send_keys("crew", Keys.ENTER)
    board.wait(lambda: len(served.source.commands) == 2, 10, "the commands")
    assert [(one.command, one.gap) for one in served.source.commands] == [
        ("rescan", 2),
        ("rescan", 3),
    ]
    wanted = [{"gap": 1, "by": "A. Kern", "requested": "2030-01-01T10:00:00Z"}]
    board.run("document.activeElement.blur()")
    ActionChains(board.driver, duration=20).move_to_element(board.find("#part")).perform()
    served.call(lambda: served.source.say("rescan", wanted=wanted))
    first = "return document.querySelector('#gap-list .where').textContent"
    board.wait(lambda: board.run(first) == "scan 29.5–33.5 mm", 10, "the wanted one first")
    assert board.text("#gap-list .request") == "★ re-scan requested by A. Kern, number 1"
    assert not board.find("#gap-list .wanted .rescan").is_displayed()


def test_zone_by_drawing_and_by_numbers(board: Browser, served: ServedPage) -> None:
    """A zone is drawn on the map, or given by four numbers in the unit in use; with a reason."""
    board.find("[data-command=exclude]").click()
    board.find("#zone-draw").click()
    assert board.find("#draw-hint").is_displayed()
    canvas = board.find("#map")
    (x, y), (right, low) = point(board, 40, 20), point(board, 50, 30)
    width, height = canvas.size["width"], canvas.size["height"]
    actions = ActionChains(board.driver, duration=50)
    actions.move_to_element_with_offset(canvas, round(x - width / 2), round(y - height / 2))
    actions.click_and_hold().move_by_offset(round(right - x), round(low - y)).release().perform()
    board.wait(lambda: board.find("#confirm").is_displayed(), 10, "the question")
    assert not board.find("#draw-hint").is_displayed()
    board.find("#zone-name").send_keys("nozzle")
    board.find("#confirm-by").send_keys("crew", Keys.ENTER)
    board.wait(lambda: len(served.source.commands) == 1, 10, "the command")
    zone = served.source.commands[0].zone
    assert zone is not None
    assert zone.scan is not None
    assert zone.index is not None
    assert zone.name == "nozzle"
    assert zone.scan.low == pytest.approx(40, abs=0.3)
    assert zone.index.high == pytest.approx(30, abs=0.3)
    board.find("#units").click()
    board.find("[data-command=exclude]").click()
    for side, value in (("scan-from", "1"), ("scan-to", "0.5"), ("index-from", "0"),
                        ("index-to", "1")):  # fmt: skip
        board.find(f"#zone-{side}").send_keys(value)
    served.source.accepts = False
    board.find("#zone-name").send_keys("weld", Keys.ENTER)
    board.wait(lambda: len(served.source.commands) == 2, 10, "the second command")
    zone = served.source.commands[1].zone
    assert zone is not None
    assert zone.scan is not None
    assert (zone.scan.low, zone.scan.high) == (12.7, 25.4)
    text = "✕ Refused: it is paused already"
    board.wait(lambda: board.text("#reply") == text, 10, "why not")
    assert board.find("#toast.bad").is_displayed()
    # Drawing may be left by the keyboard.
    board.find("[data-command=exclude]").click()
    board.find("#zone-draw").click()
    board.find("#draw-cancel").send_keys(Keys.ESCAPE)
    assert not board.find("#draw-hint").is_displayed()


def test_next_step_by_hand(board: Browser, served: ServedPage) -> None:
    """The next step by hand is above the list in the unit in use, and is shown on the map."""
    assert not board.find("#next").is_displayed()
    served.source.step = HandGuidance(
        gap=2, scan=(12.5, 9.5), index=4.0,
        mm="line 4, from 12 mm, 3 mm missing; towards lower scan positions",
        inches="line 4, from 0.49 in, 0.12 in missing; towards lower scan positions",
    )  # fmt: skip
    served.call(lambda: served.source.say("rescan", wanted=[]))
    board.wait(lambda: board.find("#next").is_displayed(), 10, "the step")
    assert board.find("#next .first").text == "Next: line 4, from 12 mm, 3 mm missing"
    board.find("#units").click()
    assert board.find("#next .first").text == "Next: line 4, from 0.49 in, 0.12 in missing"
    before = board.run("return document.getElementById('map').toDataURL()")
    board.find("#next").click()
    board.wait(
        lambda: board.run("return document.getElementById('map').toDataURL()") != before,
        10,
        "the mark",
    )


def test_stop_goes_at_once(browser: Browser, belt: ServedPage) -> None:
    """STOP needs no confirmation, is in every dialog, and a missing reply is shown loudly."""
    assert not browser.find("[data-command=stop]").is_displayed()
    assert "No emergency stop" in browser.text("#crawler .caution")
    press = ActionChains(browser.driver, duration=20)
    press.click_and_hold(browser.find("#crawler [data-stop]")).perform()
    browser.wait(lambda: len(belt.source.commands) == 1, 10, "the stop, while it is pressed")
    browser.wait(lambda: browser.text("#reply").startswith("✓"), 10, "the answer")
    press = ActionChains(browser.driver, duration=20)
    press.release().perform()  # which is no second one
    note = browser.find("[data-command=note]")
    browser.run("arguments[0].scrollIntoView({block: 'center'})", note)
    note.click()
    browser.find("#confirm [data-stop]").click()
    browser.wait(lambda: len(belt.source.commands) == 2, 10, "the stop in a dialogue")
    assert [(one.command, one.by) for one in belt.source.commands] == [("stop", "page")] * 2
    browser.find("#confirm button[value=no]").click()
    browser.run("document.querySelector('#crawler [data-stop]').focus()")
    browser.find("#crawler [data-stop]").send_keys(Keys.ENTER)
    browser.wait(lambda: len(belt.source.commands) == 3, 10, "the stop by a key")
    browser.run(
        "window.asked = 0; window.fetch = () => { window.asked++; return Promise.reject(1); };"
    )
    browser.find("#crawler [data-stop]").click()
    browser.wait(lambda: "NO REPLY to STOP" in browser.text("#reply"), 20, "no answer")
    assert browser.run("return window.asked") > 3


def test_crawler_in_words(browser: Browser, belt: ServedPage) -> None:
    """The crawler's state is shown as text; once the run is over, its buttons are hidden."""
    assert browser.find(".doing p").text == (
        "Crawler: not armed yet, does not move: waiting for the dead man: 'alive' commands"
    )
    belt.call(lambda: belt.source.crawl("moving", "raster: 11 of 11 lines"))
    browser.wait(lambda: "MOVING" in browser.text("#crawler-state"), 10, "that it moves")
    assert browser.all("#crawler.moves")
    belt.call(lambda: belt.source.crawl("ended", "raster: 11 of 11 lines"))

    def end() -> None:
        time = "2030-01-01T10:00:00Z"
        belt.source.say("state", state="complete", reason="the plan is covered", time=time)
        belt.hub.close_viewers()

    belt.call(end)
    browser.wait(lambda: browser.find("#result").is_displayed(), 10, "the end")
    browser.wait(lambda: not browser.find("#crawler").is_displayed(), 10, "no more crawler")
    assert not browser.find("#crawler [data-stop]").is_displayed()
    assert not browser.find("#hold").is_displayed()


def test_dead_man_lives_while_held(browser: Browser, belt: ServedPage) -> None:
    """Held by pointer or key, signs of life go out three times a heartbeat; else none do."""
    commands = belt.source.commands
    assert browser.text("#hold-text").startswith(
        "Release it or leave this page: the crawler stops within 0.6 s"
    )

    def stays_quiet() -> None:
        time.sleep(0.3)  # what was under way
        before = len(commands)
        time.sleep(0.7)
        assert len(commands) == before

    stays_quiet()
    ActionChains(browser.driver, duration=20).click_and_hold(browser.find("#hold")).perform()
    browser.wait(lambda: len(commands) >= 6, 10, "signs of life")
    assert browser.find("#hold").get_attribute("aria-pressed") == "true"
    assert {one.command for one in commands} == {"alive"}
    assert len({one.id for one in commands}) == len(commands)
    ActionChains(browser.driver, duration=20).release().perform()
    assert browser.find("#hold").get_attribute("aria-pressed") == "false"
    stays_quiet()
    browser.run("document.getElementById('hold').focus()")
    before = len(commands)
    ActionChains(browser.driver).key_down(Keys.SPACE).perform()
    browser.wait(lambda: len(commands) >= before + 3, 10, "signs of life by a key")
    # Whoever turns to another page is not there any more.
    browser.run(
        "Object.defineProperty(document, 'hidden', {value: true, configurable: true});"
        "document.dispatchEvent(new Event('visibilitychange'))"
    )
    stays_quiet()
    ActionChains(browser.driver).key_up(Keys.SPACE).perform()


def test_pages_that_were_left_hold_no_connection(browser: Browser, served: ServedPage) -> None:
    """Who comes and goes many times still gets the map, and a command through."""
    for _ in range(7):
        browser.open(served.page.url)
        settle(browser)
    limit = time.monotonic() + 10
    while served.page.viewers > 1:
        assert time.monotonic() < limit, f"{served.page.viewers} viewers"
        time.sleep(0.05)
    browser.driver.back()  # to the page between two visits
    browser.driver.back()
    browser.wait(lambda: browser.text("#banner") == "", 10, "contact")
    settle(browser)
    browser.wait(lambda: served.page.viewers == 1, 10, "the one viewer")


@pytest.mark.parametrize("guard", ["", 'heartbeat = "600 ms"'], ids=["", "dead man"])
def test_map_is_in_sight_on_a_phone(browser: Browser, tmp_path: Path, guard: str) -> None:
    """With alarms and an armed crawler map and first gap are above its bar; the map while it waits, too.

    A dead man's button takes the place of the gap.
    """
    browser.shape(390, 844, touch=True)
    source = PlayedSource(station=parse_station(crawl_station(tmp_path, guard=guard), "belt.toml"))
    source.say("progress", **progress())
    source.crawl("disarmed", "not armed")
    with ServedPage(source) as belt:
        browser.open(belt.page.url)
        settle(browser)
        browser.wait(lambda: browser.find("#crawler").is_displayed(), 10, "the crawler's bar")
        _look(browser, belt, source, dead_man=bool(guard))


def _look(browser: Browser, belt: ServedPage, source: PlayedSource, *, dead_man: bool) -> None:
    """Look where map and first gap are, armed and waiting, with three alarms."""

    def play() -> None:
        source.crawl("armed", "raster: 31 of 31 lines, 312 s, 24.1 m", line=12, lines=31)
        source.say("gap/1", **gap(1, (1.5, 4.5), (0.5, 1.5), cells=3))
        for number, kind in enumerate(("below alert", "coupling lost", "gaps open"), start=1):
            source.say(f"alarm/{number}", **alarm(number, kind, "no echo for 2.1 s"))

    belt.call(play)
    browser.wait(lambda: browser.text("#alarms-title") == "3 new alarms", 10, "the alarms")
    browser.wait(lambda: browser.all("#gap-list li"), 10, "the gap")
    room = """
    const top = document.getElementById("crawler").getBoundingClientRect().top;
    const of = (name) => document.querySelector(name).getBoundingClientRect();
    return [top - of("#sheet").bottom, top - of("#gap-list li").top];
    """
    map_room, gap_room = browser.run(room)
    assert map_room > 0
    assert dead_man or gap_room > 20
    why = "stopped: motor and encoder disagree: 4.1 mm apart, limit 2.0 mm; a wheel slips, or the host was held up"
    todo = "see to the cause, and when everybody is clear of it: press g at the station's terminal, or Resume on the page"
    state = {"state": "waiting", "reason": why, "todo": todo, "by": "", "plan": None}
    at = "2030-01-01T10:10:00Z"
    belt.call(lambda: source.say("state", **state, time=at, since=at))
    browser.wait(lambda: browser.find("#paused").is_displayed(), 10, "what to do")
    browser.wait(lambda: browser.run(room)[0] > 0, 5, "the map above the crawler's bar")
    assert (
        browser.run("return document.querySelector('#sheet').getBoundingClientRect().height") > 100
    )
    assert not browser.find("#alarm-list .detail").is_displayed()
    browser.find("#alarms-all").click()  # whole
    assert browser.find("#alarm-list .detail").is_displayed()
    assert not browser.complaints()
