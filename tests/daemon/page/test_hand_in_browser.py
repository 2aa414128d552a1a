"""The page at the wall, in one hand: lines by one touch, the place, undo, and sounds."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from support.board import COLUMNS, ROWS, alarm, gap, play, progress, settle
from support.browser import Browser
from support.page import PlayedSource, ServedPage, station_of_size
from swathe.messages import CommandMessage, Extent, StretchSnapshot
from swathe.page import HandGuidance
from swathe.station import AxisMode, LineAdvance

pytestmark = pytest.mark.slow

# Long on purpose: no part of it may be cut off.
STEP = (
    "line 4 again, from 12 mm, 3 mm missing; towards lower scan positions, below 90 mm/s, then "
    "line 5 from its start"
)
# Counts the notes that are to be played, by their pitch, Hz.
SPY = """
window.notes = [];
window.AudioContext = class extends AudioContext {
  createOscillator() {
    const made = super.createOscillator();
    const start = made.start.bind(made);
    made.start = (at) => { window.notes.push(Math.round(made.frequency.value)); start(at); };
    return made;
  }
};
"""


def line_now(number: int, waiting: str = "") -> dict[str, Any]:
    """Return the line in force, of a progress message."""
    return {"number": number, "lines": ROWS, "index": float(number), "settled": not waiting,
            "waiting": waiting}  # fmt: skip


def played_by_hand(advance: LineAdvance = LineAdvance.RETURN) -> PlayedSource:
    """Return a survey with a stepped index under way."""
    source = PlayedSource(ROWS, COLUMNS)
    play(source)
    index = station_of_size(ROWS, COLUMNS).index
    assert index is not None
    changes = {"mode": AxisMode.STEPPED, "advance": advance}
    source.station = source.station.model_copy(update={"index": index.model_copy(update=changes)})
    source.say("progress", **progress(line_now=line_now(4)))
    source.step = HandGuidance(gap=2, scan=(12.5, 9.5), index=4.0, mm=STEP, inches=STEP)
    return source


@pytest.fixture
def wall() -> Iterator[ServedPage]:
    """Return a served page of a scan by hand."""
    with ServedPage(played_by_hand()) as page:
        yield page


@pytest.fixture
def phone(chromium: Browser, wall: ServedPage) -> Browser:
    """Return the browser as a phone with the page open."""
    chromium.shape(390, 844, touch=True)
    chromium.theme("light")
    chromium.open(wall.page.url)
    settle(chromium)
    return chromium


def give_name(browser: Browser, name: str) -> None:
    """Give the name in its dialog, which is open."""
    browser.find("#name-by").send_keys(name, Keys.ENTER)


def sent(wall: ServedPage, browser: Browser, number: int) -> CommandMessage:
    """Wait for so many commands; return the newest."""
    commands = wall.source.commands
    browser.wait(lambda: len(commands) >= number, 10, "the command")
    assert len(commands) == number
    return commands[-1]


def press(browser: Browser, selector: str) -> None:
    """Press what is on the page, wherever it is."""
    browser.run("arguments[0].scrollIntoView({block: 'center'})", browser.find(selector))
    browser.find(selector).click()


def choose(browser: Browser, name: str, value: str) -> None:
    """Choose one of the choices of a dialog."""
    press(browser, f"[name='{name}'][value='{value}']")


def rest(browser: Browser) -> None:
    """Wait until a further touch counts."""
    browser.wait(lambda: not browser.all("body.touched"), 10, "the end of the touch")


def test_first_screen_has_what_a_hand_needs(phone: Browser, wall: ServedPage) -> None:
    """Line, buttons, next step, an alarm, and the minimum with its place need no scrolling."""
    here = {"scan": {"from": 18.0, "to": 22.0}, "index": {"from": 2.0, "to": 4.0}}
    wall.call(
        lambda: wall.source.say("alarm/1", **alarm(1, "below alert", "7.25 mm, below 8 mm", **here))
    )
    phone.wait(lambda: phone.find("#alarms").is_displayed(), 10, "the alarm")
    phone.wait(lambda: phone.find("#next").is_displayed(), 10, "the next step")
    assert phone.run("return window.scrollY") == 0
    names = (
        "#line-number", "#line-index", "#line-waiting", "[data-now='previous line']",
        "[data-now='next line']", "#line-blocked", "#hand [data-command=reference]",
        "#hand [data-command=undo]", "#next-rest", "#minimum", "#minimum-at", "#sound", "#awake",
    )  # fmt: skip
    for name in names:
        box = phone.run(
            "const b = document.querySelector(arguments[0]).getBoundingClientRect();"
            "return [b.left, b.top, b.right, b.bottom]",
            name,
        )
        left, top, right, bottom = box
        assert 0 <= left < right <= 390, (name, box)
        assert 0 <= top < bottom <= 844, (name, box)
    for name in ("previous line", "next line"):
        assert phone.find(f"[data-now='{name}']").size["height"] >= 64
    # All of the step is to be read.
    cut = "const n = document.getElementById('next'); return n.scrollHeight > n.clientHeight + 1"
    assert not phone.run(cut)
    assert phone.find("#next").text.endswith("then line 5 from its start")
    assert "scan 20.00 mm, index 3.00 mm" in phone.text("#minimum-at")


def test_one_touch_steps_the_line(phone: Browser, wall: ServedPage) -> None:
    """The name is asked for once; then a touch is a command, and a trembling one is no second."""
    phone.find("[data-now='next line']").click()
    assert phone.find("#name").is_displayed()
    assert not wall.source.commands
    give_name(phone, "A. Kern")
    command = sent(wall, phone, 1)
    assert (command.command, command.by) == ("next line", "A. Kern")
    phone.wait(lambda: phone.text("#reply") == "✓ Accepted: noted", 10, "the reply")
    rest(phone)
    assert phone.find("#hand [data-name]").accessible_name == "Your name: A. Kern"
    phone.run(
        "const b = document.querySelector(\"[data-now='previous line']\"); b.click(); b.click();"
    )
    assert sent(wall, phone, 2).command == "previous line"
    rest(phone)
    assert len(wall.source.commands) == 2
    phone.find("#line-blocked").click()
    assert sent(wall, phone, 3).command == "line blocked"
    rest(phone)
    # The name is changed where it is shown.
    phone.find("#hand [data-name]").click()
    phone.find("#name-by").clear()
    give_name(phone, "B. Holm")
    phone.find("[data-now='next line']").click()
    assert sent(wall, phone, 4).by == "B. Holm"


def test_line_that_does_not_count_yet_is_plain(phone: Browser, wall: ServedPage) -> None:
    """The line that is meant is shown before readings count for it, with what is missing."""
    assert (phone.text("#line-number"), phone.text("#line-index")) == ("4", "4 mm")
    assert phone.text("#line-waiting") == "● Readings count for this line"
    assert phone.text("#line-last") == "(lines 0 to 39)"
    text = "move the probe by 2 mm: nothing counts yet"
    wall.call(lambda: wall.source.say("progress", **progress(line_now=line_now(5, text))))
    phone.wait(lambda: phone.text("#line-number") == "5", 10, "the next line")
    assert phone.text("#line-waiting") == f"◌ {text}"
    assert phone.text("#line-last") == "before: line 4"
    assert phone.find("#line-waiting").value_of_css_property("border-top-style") == "dashed"
    press(phone, "#units")
    assert phone.text("#line-index") == "0.197 in"


def test_readings_do_not_count_in_a_pause_or_without_position(
    phone: Browser, wall: ServedPage
) -> None:
    """What keeps readings from the cells is shown at the line, and 'too fast' where none does."""
    source = wall.source

    def shown(text: str) -> None:
        phone.wait(lambda: phone.text("#line-waiting") == text, 10, text)

    lost = alarm(1, "position lost", "encoder was off", device="encoder")
    wall.call(lambda: source.say("alarm/1", **lost))
    shown("◌ position lost: nothing counts")
    state = {"reason": "A. Kern", "time": "2030-01-01T10:00:00Z"}
    wall.call(lambda: source.say("state", state="paused", **state))
    shown("◌ paused: nothing counts")
    wall.call(lambda: source.say("state", state="scanning", **state))
    shown("◌ position lost: nothing counts")
    wall.call(lambda: source.say("alarm/1", **{**lost, "status": "over", "until": lost["since"]}))
    shown("● Readings count for this line")
    fast = progress(speed=230.0, too_fast=True, line_now=line_now(4))
    wall.call(lambda: source.say("progress", **fast))
    shown("▲ Too fast: slow down")
    waiting = progress(too_fast=True, line_now=line_now(4, "move the probe"))
    wall.call(lambda: source.say("progress", **waiting))
    shown("◌ move the probe")
    phone.run("window.EventSource = class extends EventTarget { close() {} }")
    wall.call(wall.hub.close_viewers)
    shown("◌ no connection: not known whether readings count")


@pytest.mark.parametrize(
    ("advance", "shown"), [(LineAdvance.COMMAND, False), (LineAdvance.RETURN, True)]
)
def test_line_is_blocked_where_lines_step_by_themselves(
    chromium: Browser, advance: LineAdvance, *, shown: bool
) -> None:
    """Where a command sets the line, 'next line' is all that there is to say."""
    with ServedPage(played_by_hand(advance)) as served:
        chromium.open(served.page.url)
        settle(chromium)
        assert chromium.find("#line-blocked").is_displayed() is shown
        assert chromium.find("[data-now='next line']").is_displayed()


def test_encoded_plan_shows_the_place_of_the_probe(board: Browser) -> None:
    """Without lines to step there are figures of the position, and no buttons of lines."""
    assert board.find("#hand").is_displayed()
    assert not board.find("#line-steps").is_displayed()
    assert (board.text("#probe-scan"), board.text("#probe-index")) == ("10.00 mm", "4.00 mm")


def test_crawler_takes_its_lines_itself(chromium: Browser, wall: ServedPage) -> None:
    """With a crawler nothing is offered that a hand does."""
    wall.source.crawl("armed", "")
    chromium.open(wall.page.url)
    settle(chromium)
    chromium.wait(lambda: chromium.find("#crawler").is_displayed(), 10, "the crawler's bar")
    assert not chromium.find("#hand").is_displayed()
    state = {"state": "scanning", "time": "2030-01-01T10:00:00Z"}
    wall.call(lambda: wall.source.say("state", reason="raster: 3 of 9 lines", **state))
    wall.call(lambda: wall.source.say("state", reason="placing again without line 5", **state))
    text = "placing again without line 5"
    chromium.wait(lambda: chromium.text("#run-why") == text, 10, "that it is placed again")
    wall.call(lambda: wall.source.say("state", reason="raster: 3 of 9 lines", **state))
    chromium.wait(lambda: chromium.text("#run-why") == "", 10, "the words in the bar only")


def test_place_by_zero_mark_and_number(phone: Browser, wall: ServedPage) -> None:
    """Zero, a named mark, or a number in the unit in use; without a number nothing is sent."""
    marks = [{"name": "weld 12", "scan": 1240.0, "index": 40.0}]
    state = {"state": "scanning", "reason": "", "time": "2030-01-01T10:00:00Z"}
    zones: dict[str, Any] = {"plan": {"excluded": [], "marks": marks}}
    wall.call(lambda: wall.source.say("state", **state, **zones))
    phone.wait(
        lambda: phone.run("return document.getElementById('run').textContent") == "scanning",
        10,
        "the state",
    )
    button = "#hand [data-command=reference]"
    phone.find(button).click()
    phone.find("#confirm-by").send_keys("A. Kern", Keys.ENTER)
    assert sent(wall, phone, 1).scan == 0
    phone.find(button).click()
    assert phone.text("#place-choices label:nth-child(2)") == "weld 12 scan 1240 mm, index 40 mm"
    choose(phone, "place", "mark weld 12")
    phone.find("#confirm-yes").click()
    command = sent(wall, phone, 2)
    assert (command.mark, command.scan, command.index) == ("weld 12", None, None)
    press(phone, "#units")
    phone.run("scrollTo(0, 0)")
    phone.find(button).click()
    phone.find("#place-scan").send_keys("10")
    assert not phone.find("#place-index").is_displayed()  # its line is stepped
    phone.find("#confirm-yes").click()
    command = sent(wall, phone, 3)
    assert command.scan == pytest.approx(254)
    assert command.mark is None
    phone.find(button).click()
    choose(phone, "place", "number")
    phone.find("#confirm-yes").click()
    phone.wait(lambda: "no place is given" in phone.text("#reply"), 10, "why not")
    assert len(wall.source.commands) == 3


def test_place_is_offered_when_it_is_lost(phone: Browser, wall: ServedPage) -> None:
    """A lost position shows above everything else, a lifted probe as a hint."""
    assert not phone.find("#where").is_displayed()
    lost = alarm(1, "position lost", "encoder was off", device="encoder")
    wall.call(lambda: wall.source.say("alarm/1", **lost))
    phone.wait(lambda: phone.find("#where").is_displayed(), 10, "the offer")
    assert phone.text("#where-title") == "Position lost"
    phone.find("#where button").click()
    assert phone.find("#place-choices").is_displayed()
    phone.find("#confirm button[value=no]").click()
    wall.call(
        lambda: wall.source.say("alarm/1", **{**lost, "status": "over", "until": lost["since"]})
    )
    phone.wait(lambda: not phone.find("#where").is_displayed(), 10, "its end")
    wall.call(
        lambda: wall.source.say(
            "progress", **progress(lifted={"text": "no echo at 310.0 mm for 4.0 s"})
        )
    )
    phone.wait(lambda: phone.text("#where-title") == "Was the probe lifted?", 10, "the hint")
    assert phone.text("#where-text") == "no echo at 310.0 mm for 4.0 s"


def test_last_seconds_are_discarded(phone: Browser, wall: ServedPage) -> None:
    """They are those before the form was opened, by the station's clock, with a reason."""
    phone.find("#hand [data-command=undo]").click()
    text = "Affected: up to 1 readings."
    phone.wait(lambda: phone.text("#undo-affected") == text, 10, "what is affected")
    assert wall.source.stretches[-1].begin is not None
    seconds = phone.find("#undo-seconds")
    seconds.clear()
    seconds.send_keys("12.5")
    phone.find("#confirm-by").send_keys("A. Kern")
    phone.find("#confirm-yes").click()
    assert phone.find("#confirm").is_displayed()  # no reason, no command
    assert not wall.source.commands
    phone.find("#undo-reason").send_keys("probe lifted")
    phone.find("#confirm-yes").click()
    command = sent(wall, phone, 1)
    assert (command.command, command.text, command.by) == ("discard", "probe lifted", "A. Kern")
    stretch = command.stretch
    assert stretch is not None
    assert stretch.begin is not None
    assert stretch.end is not None
    assert (stretch.line, stretch.scan, stretch.last) == (None, None, None)
    begin, end = map(datetime.fromisoformat, (stretch.begin, stretch.end))
    assert end - begin == timedelta(seconds=12.5)


def test_line_is_discarded_or_moved(phone: Browser, wall: ServedPage) -> None:
    """The present line, another one, and a stretch of one; what is affected is shown before."""

    def asked() -> StretchSnapshot | None:
        return wall.source.stretches[-1] if wall.source.stretches else None

    def undo(which: str) -> None:
        phone.find("#hand [data-command=undo]").click()
        choose(phone, "undo-which", which)
        phone.find("#undo-reason").send_keys("step forgotten")

    def confirm(number: int) -> CommandMessage:
        phone.find("#confirm-yes").click()
        command = sent(wall, phone, number)
        assert command.text == "step forgotten"
        return command

    undo("present")
    phone.wait(lambda: asked() == StretchSnapshot(line=4), 10, "what is affected")
    text = "Affected: up to "
    phone.wait(lambda: phone.text("#undo-affected").startswith(text), 10, "what is affected")
    phone.find("#confirm-by").send_keys("A. Kern")
    command = confirm(1)
    assert command.stretch is not None
    assert command.stretch.line == 4
    undo("line")
    phone.find("#undo-line").clear()
    phone.find("#undo-line").send_keys("2")
    choose(phone, "undo-what", "move")
    assert phone.find("#confirm-yes").text == "Move readings"
    phone.find("#undo-to").send_keys("3")
    command = confirm(2)
    assert command.stretch is not None
    assert (command.command, command.stretch.line, command.line) == ("move", 2, 3)
    undo("stretch")
    phone.find("#undo-from").send_keys("31")
    phone.find("#undo-until").send_keys("20")
    part = StretchSnapshot(line=4, scan=Extent(20, 31))
    phone.wait(lambda: asked() == part, 10, "what is affected")
    command = confirm(3)
    assert command.stretch is not None
    assert command.stretch.scan is not None
    assert command.command == "discard"
    assert (command.stretch.scan.low, command.stretch.scan.high) == (20, 31)
    assert command.stretch.line == 4


def test_readings_between_two_notes_are_discarded(phone: Browser, wall: ServedPage) -> None:
    """The notes are listed with their times, the newest first; the command has the times."""
    phone.find("#hand [data-command=undo]").click()
    assert not phone.find("#undo-notes").is_displayed()
    phone.find("#confirm button[value=no]").click()
    wall.source.noted = [(10**18, "weld 12 begins"), (10**18 + 60 * 10**9, "weld 12 ends")]

    def listed() -> bool:
        phone.find("#hand [data-command=undo]").click()
        shown = phone.find("#undo-notes").is_displayed()
        if not shown:
            phone.find("#confirm button[value=no]").click()
        return shown

    phone.wait(listed, 10, "the notes")
    choose(phone, "undo-which", "notes")
    options = [option.text for option in phone.all("#undo-begin option")]
    assert options[0] == "the first reading"
    assert [option.partition(" ")[2] for option in options[1:]] == [
        "weld 12 ends",
        "weld 12 begins",
    ]
    phone.find("#undo-begin").send_keys(options[2])
    phone.find("#undo-end").send_keys(options[1])
    phone.find("#undo-reason").send_keys("wrong weld")
    phone.find("#confirm-by").send_keys("A. Kern")
    phone.find("#confirm-yes").click()
    stretch = sent(wall, phone, 1).stretch
    assert stretch is not None
    assert (stretch.begin, stretch.end) == (
        "2001-09-09T01:46:40+00:00",
        "2001-09-09T01:47:40+00:00",
    )


def revision(number: int, **changes: Any) -> dict[str, Any]:
    """Return a revision of a message."""
    return {
        "number": number, "kind": "discard", "line": 4, "to_line": None,
        "scan": {"from": 10.0, "to": 20.5}, "begin": None, "end": "2030-01-01T10:00:00Z",
        "by": "A. Kern", "because": "wrong line", "time": "2030-01-01T10:00:10Z",
        "readings": 1234, "restored_by": "", "restored_because": "", "restored": None, **changes,
    }  # fmt: skip


def test_revisions_are_listed_and_restored(phone: Browser, wall: ServedPage) -> None:
    """Each with who, when, why and readings; one in force is restored with a reason."""
    assert not phone.find("#revisions").is_displayed()
    back = {"restored_by": "B. Holm", "restored_because": "was right", "readings": 0,
            "restored": "2030-01-01T10:03:10Z", "kind": "move", "to_line": 6}  # fmt: skip
    both = [revision(1), revision(2, **back)]
    wall.call(lambda: wall.source.say("revisions", revisions=both))
    phone.wait(lambda: phone.find("#revisions").is_displayed(), 10, "the list")
    newest, first = (item.text for item in phone.all("#revision-list li"))
    assert "2. Readings of line 4 from 10.0 to 20.5 mm moved to line 6" in newest
    assert "restored by B. Holm" in newest
    assert "“was right”" in newest
    assert "1. 1\u202f234 readings of line 4 from 10.0 to 20.5 mm discarded" in first
    assert "“wrong line” · A. Kern" in first
    assert len(phone.all("#revision-list button")) == 1
    press(phone, "#revision-list button")
    assert phone.text("#confirm-title") == "Restore revision 1?"
    phone.find("#confirm-by").send_keys("A. Kern")
    phone.find("#confirm-yes").click()
    assert not wall.source.commands  # no reason
    phone.find("#confirm-why").send_keys("it was this line after all", Keys.ENTER)
    command = sent(wall, phone, 1)
    assert (command.command, command.revision) == ("restore", 1)
    assert command.text == "it was this line after all"


def test_doubtful_thickness_is_listed_and_rejected_with_a_reason(
    phone: Browser, wall: ServedPage
) -> None:
    """With why it is doubtful and what else was read there; nothing is sent without a reason."""
    assert not phone.find("#doubtful").is_displayed()
    at = "2030-01-01T10:00:00Z"
    first = {
        "number": 7, "status": "to confirm", "flags": ["halved", "lone_low"], "thickness": 5.0,
        "wall": 10.0, "other": 9.98, "others": 2, "scan": 12.0, "index": 3.0, "opened": at,
        "changed": at, "by": "", "reason": "",
    }  # fmt: skip
    second = {**first, "number": 3, "status": "rejected", "by": "B. Holm", "reason": "grease"}
    wall.call(lambda: wall.source.say("confirm", places=[first, second], total=2))
    phone.wait(lambda: phone.find("#doubtful").is_displayed(), 10, "the list")
    one, other = (item.text for item in phone.all("#doubtful-list li"))
    assert "7. 5.000 mm at scan 12.00 mm, index 3.00 mm" in one
    assert "halved, lone low · around it 10.000 mm · 2 other passes read 9.980 mm or more" in one
    assert "rejected by B. Holm" in other
    assert len(phone.all("#doubtful-list button")) == 3  # what was rejected can be confirmed
    press(phone, "#doubtful-list li:first-child button:last-child")
    phone.find("#confirm-by").send_keys("A. Kern")
    phone.find("#confirm-yes").click()
    assert not wall.source.commands  # no reason
    phone.find("#confirm-why").send_keys("a drop of grease", Keys.ENTER)
    command = sent(wall, phone, 1)
    assert (command.command, command.number) == ("reject", 7)
    assert command.text == "a drop of grease"


def test_what_is_being_placed_again_is_shown(phone: Browser, wall: ServedPage) -> None:
    """The state while a revision takes effect is next to what the station does."""
    state = {"state": "scanning", "time": "2030-01-01T10:00:00Z"}
    text = "placing again without discarded readings, 40%"
    wall.call(lambda: wall.source.say("state", reason=text, **state))
    phone.wait(lambda: phone.text("#run-why") == text, 10, "the state")
    assert phone.text("#run") == "scanning"
    wall.call(lambda: wall.source.say("state", reason="", **state))
    phone.wait(lambda: not phone.find("#run-why").is_displayed(), 10, "its end")


def test_zone_is_excluded_with_a_reason(phone: Browser, wall: ServedPage) -> None:
    """Its reason is optional, apart from its name."""
    press(phone, "[data-command=exclude]")
    for side, value in (
        ("scan-from", "1"),
        ("scan-to", "5"),
        ("index-from", "0"),
        ("index-to", "1"),
    ):
        phone.find(f"#zone-{side}").send_keys(value)
    phone.find("#zone-name").send_keys("nozzle")
    phone.find("#confirm-reason").send_keys("not on the drawing")
    phone.find("#confirm-by").send_keys("A. Kern")
    phone.find("#confirm-yes").click()
    command = sent(wall, phone, 1)
    assert command.zone is not None
    assert (command.zone.name, command.text) == ("nozzle", "not on the drawing")


def notes(browser: Browser) -> list[int]:
    """Return the notes that were to be played since the last call."""
    return [int(note) for note in browser.run("return window.notes.splice(0)")]


def next_notes(browser: Browser, what: str) -> list[int]:
    """Wait until notes are to be played; return them."""
    played: list[int] = []

    def any_played() -> list[int]:
        played.extend(notes(browser))
        return played

    browser.wait(any_played, 20, what)
    return played


def raise_alarm(browser: Browser, wall: ServedPage, kind: str) -> int:
    """Raise one more alarm, wait until the page has it, and return its number."""
    number = 1 + sum(topic.startswith("alarm/") for topic in wall.source.messages)
    since = f"2030-01-01T11:{number:02d}:00Z"
    wall.call(lambda: wall.source.say(f"alarm/{number}", **alarm(number, kind, "", since=since)))
    shown = f"▲ {number} bench: coverage"
    browser.wait(lambda: browser.run("return document.title") == shown, 10, "the alarm")
    return number


def heard_alarm(browser: Browser, wall: ServedPage, kind: str) -> list[int]:
    """Raise alarms until one is heard: those of the page's first moment are not."""
    played: list[int] = []

    def raise_and_listen() -> list[int]:
        raise_alarm(browser, wall, kind)
        played.extend(notes(browser))
        return played

    browser.wait(raise_and_listen, 10, "a tone")
    return played


def test_sound_is_chosen_and_kept(phone: Browser, wall: ServedPage) -> None:
    """Sound begins with a touch; a kind that is not chosen is silent; both outlast the page."""
    phone.run(SPY)
    wall.call(lambda: wall.source.say("alarm/1", **alarm(1, "port lost", "gone", device="gauge")))
    phone.wait(lambda: phone.find("#alarms").is_displayed(), 10, "the alarm")
    assert notes(phone) == []
    assert phone.find("#sound").accessible_name == "Sound: off"
    phone.find("#sound").click()
    phone.wait(lambda: phone.find("#sound").accessible_name == "Sound: on", 10, "sound")
    phone.wait(lambda: notes(phone) != [], 10, "a sample")
    press(phone, "#sounds-open")
    thin = phone.find("[data-sound=thin]")
    assert thin.is_selected()
    thin.click()
    press(phone, "#sounds .answers button")

    urgent = heard_alarm(phone, wall, "coupling lost")
    assert urgent[0] == 659
    assert len(urgent) == 8
    number = raise_alarm(phone, wall, "below alert")
    assert notes(phone) == []
    raise_alarm(phone, wall, "too fast")
    assert notes(phone)[0] == 988
    assert number > 2
    phone.driver.refresh()
    settle(phone)
    phone.run(SPY)
    text = "Sound: starts with the next touch"
    assert phone.find("#sound").accessible_name == text
    assert not phone.find("[data-sound=thin]").is_selected()
    assert phone.find("[data-sound=gap]").is_selected()
    phone.find("#part").click()
    phone.wait(lambda: phone.find("#sound").accessible_name == "Sound: on", 10, "sound again")
    assert notes(phone) == []  # what was there before is not new


def test_gap_pause_and_lost_contact_are_heard(phone: Browser, wall: ServedPage) -> None:
    """Each by a tone of its own; the survey that was placed again makes none."""
    phone.run(SPY)
    phone.find("#sound").click()
    phone.wait(lambda: notes(phone) != [], 10, "a sample")
    assert heard_alarm(phone, wall, "position lost")[0] == 523

    def heard(topic: str, message: dict[str, Any]) -> list[int]:
        wall.call(lambda: wall.source.say(topic, **message))
        return next_notes(phone, f"a tone for {topic}")

    assert heard("gap/7", gap(7, (40.5, 41.5), (20.5, 21.5)))[1] == 587
    state = {"state": "paused", "reason": "A. Kern", "time": "2030-01-01T10:00:00Z"}
    assert heard("state", state)[0] == 440

    def replace() -> None:
        # What a survey that was placed again has is not new.
        placed = alarm(9, "coupling lost", "no echo", since="2030-01-01T09:00:00Z")
        wall.source.messages["alarm/9"] = json.dumps(placed).encode()
        wall.page.replace()

    title = "return document.title"
    before = phone.run(title)
    wall.call(replace)
    phone.wait(lambda: phone.run(title) != before, 10, "the alarm of the survey placed again")
    wall.call(wall.hub.close_viewers)
    assert next_notes(phone, "a tone for the lost contact")[0] == 392
    phone.wait(lambda: phone.text("#banner") == "", 20, "contact again")
    settle(phone)
    fast = alarm(10, "too fast", "slower", since="2030-01-01T12:00:00Z")
    assert heard("alarm/10", fast)[0] == 988  # and none that was there before


def test_wake_lock_is_kept_and_asked_for_again(phone: Browser) -> None:
    """The screen is kept on while the page is seen, and again once it is seen again."""
    assert phone.find("#awake").accessible_name == "Awake: the screen may turn off"
    phone.run(
        "window.locks = [];"
        "navigator.wakeLock.request = async (kind) => {"
        "  const lock = new EventTarget(); lock.released = false;"
        "  lock.release = async () => { lock.released = true; lock.dispatchEvent(new Event('release')); };"
        "  window.locks.push(lock); return lock; }"
    )
    phone.find("#awake").click()
    name = "return document.getElementById('awake').ariaLabel"
    phone.wait(lambda: phone.run(name) == "Awake: the screen stays on", 10, "the lock")
    phone.run("window.locks[0].release()")  # as a browser does when the page is hidden
    phone.wait(lambda: phone.run(name) == "Awake: the screen may turn off", 10, "its release")
    phone.run("document.dispatchEvent(new Event('visibilitychange'))")
    phone.wait(lambda: phone.run("return window.locks.length") == 2, 10, "the second lock")
    assert json.loads(phone.run("return JSON.stringify(localStorage['swathe-awake'])")) == "yes"
    phone.find("#awake").click()
    phone.wait(lambda: phone.run("return window.locks[1].released"), 10, "the release by hand")


def test_screen_that_cannot_be_kept_on_is_not_promised(phone: Browser) -> None:
    """Where the browser has no wake lock the page says so, and why."""
    text = phone.run_to_end(
        "const done = arguments[arguments.length - 1];"
        "delete Navigator.prototype.wakeLock;"
        "Object.defineProperty(window, 'isSecureContext', {value: false});"
        "import('/static/awake.js').then(({Awake}) => {"
        "  const awake = new Awake(); awake.turn(true).then(() => done([awake.held, awake.text]));"
        "})"
    )
    assert text[0] is False
    assert "Over plain HTTP" in text[1]


def test_calibration_check_is_led_through_by_touch(phone: Browser, wall: ServedPage) -> None:
    """A due check is offered; each step is read by one touch; giving up is confirmed."""
    heading = {"survey": "s-1", "station": "bench", "time": "2030-01-01T10:00:00Z"}
    due = {"active": False, "asked": True, "overdue_minutes": 3,
           "text": "calibration check overdue by 3 min: check now"}  # fmt: skip
    assert not phone.find("#checking").is_displayed()
    wall.call(lambda: wall.source.say("checking", **heading, **due))
    phone.wait(lambda: phone.find("#checking").is_displayed(), 10, "the due check")
    assert phone.text("#checking-text") == "overdue by 3 min: check now"
    assert not phone.find("#checking-take").is_displayed()
    press(phone, "#checking-begin")
    phone.find("#confirm-by").send_keys("A. Kern", Keys.ENTER)
    assert sent(wall, phone, 1).command == "check"
    step = {"active": True, "asked": False, "by": "A. Kern", "by_crawler": False, "beyond": False,
            "text": "step 12 mm, 1 of 2: put the probe on the step", "gauge": "gauge: 12.02 mm"}  # fmt: skip
    paused = {"state": "paused", "reason": "calibration check, step 12 mm (A. Kern)"}
    wall.call(lambda: wall.source.say("state", **paused, time="2030-01-01T10:00:01Z"))
    wall.call(lambda: wall.source.say("checking", **heading, **step))
    phone.wait(lambda: phone.find("#checking-take").is_displayed(), 10, "the step")
    assert phone.text("#checking-title") == "Calibration check by A. Kern"
    assert phone.text("#checking-gauge") == "gauge: 12.02 mm"
    assert not phone.find("#checking-begin").is_displayed()
    assert not phone.find("#paused-resume").is_displayed()  # the check ends the pause
    press(phone, "#checking-take")
    assert sent(wall, phone, 2).command == "check step"
    wall.call(lambda: wall.source.say("checking", **heading, **{**step, "beyond": True}))
    phone.wait(lambda: phone.text("#checking-take") == "Keep the reading", 10, "the question")
    rest(phone)
    press(phone, "#checking-redo")
    assert sent(wall, phone, 3).command == "check redo"
    assert not phone.find("#checking-skip").is_displayed()  # there is one probe
    probes = [{"name": "left", "result": "passed"}, {"name": "right", "result": "on the block"}]
    wall.call(lambda: wall.source.say("checking", **heading, **step, probe="right", probes=probes))
    phone.wait(lambda: phone.find("#checking-skip").is_displayed(), 10, "the probes of a round")
    assert phone.text("#checking-probes") == "left passed · right on the block"
    rest(phone)
    press(phone, "#checking-skip")
    assert sent(wall, phone, 4).command == "check skip"
    press(phone, "#checking-give-up")
    phone.find("#confirm-yes").click()
    assert sent(wall, phone, 5).command == "check give up"
