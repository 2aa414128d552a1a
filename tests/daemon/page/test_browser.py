"""The page in Debian's Chromium, for a daemon that the test simulates."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib import colormaps
from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

from daemon.echo_model import scans, settings
from support.board import (
    COLUMNS,
    ROWS,
    gap,
    play,
    play_alarms,
    point,
    port,
    progress,
    settle,
    tap,
    tap_point,
)
from support.browser import Browser, axe_source
from support.crawl import crawl_station
from support.page import PlayedSource, ServedPage, station_of_size
from swathe.display_units import INCHES
from swathe.messages import moment
from swathe.page import HandGuidance, Opening
from swathe.page.result import ResultFile
from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells.gap_causes import GapCause
from swathe.station import AlarmKind, AxisMode, PageSettings, parse_station
from swathe_drivers import WaveformFormat

pytestmark = pytest.mark.slow

# Ground of the patterns in the light theme, as `theme.js` has them.
MEASURED, UNVISITED, EXCLUDED = (0xB9, 0xD8, 0xE4), (0xF6, 0xF8, 0xF8), (0xA3, 0xA8, 0xA9)


def show_coverage(browser: Browser) -> None:
    """Have the map show states only; the input itself is transparent over its label."""
    choice = browser.find("input[value=coverage]")
    ActionChains(browser.driver, duration=20).move_to_element(choice).click().perform()


def colours(browser: Browser, scan: float, index: float) -> set[tuple[int, ...]]:
    """Return the colours of a few pixels around a place on the map."""
    x, y = point(browser, scan, index)
    data = browser.run(
        "return Array.from(document.getElementById('map').getContext('2d')"
        ".getImageData(arguments[0], arguments[1], 7, 7).data)",
        round(x) - 3,
        round(y) - 3,
    )
    return {tuple(data[k : k + 3]) for k in range(0, len(data), 4)}


def test_figures_in_words(board: Browser) -> None:
    """Coverage, time left, speed, minimum thickness, ports and check are shown as text."""
    assert board.text("#percent") == "12.34"
    assert board.text("#left") == "1 min 23 s"
    assert board.text("#cover-text") == "296 of 2\u202f400 cells · 3 gaps open"
    assert board.text("#speed") == "80.0 mm/s"
    assert board.text("#speed-text") == "limit 200.0 mm/s · 300.0 readings/s"
    assert board.text("#minimum") == "7.250 mm ▼"
    assert "below the alert level of 8 mm" in board.text("#minimum-at")
    assert [item.text.splitlines()[1] for item in board.all("#port-list li")] == [
        "encoder: open", "gauge: lost", "broker: connected",
    ]  # fmt: skip
    assert "gone · 1\u202f234 bytes · faults: 3 × checksum" in board.text("#port-list")
    assert board.text("#check-text").startswith("✓ passed at")
    assert "does not judge" in board.text("footer")
    assert not board.complaints()


def test_map_shows_each_cell_at_its_place(board: Browser, served: ServedPage) -> None:
    """The map is to scale, and a cell that is measured changes its colour at its place."""
    show_coverage(board)
    board.wait(lambda: colours(board, 40, 1) == {MEASURED}, 10, "measured cells")
    assert UNVISITED in colours(board, 40, 30)
    assert EXCLUDED in colours(board, 25, 12)
    assert MEASURED not in colours(board, 31.5, 2)
    across, down = (
        float(v) for v in str(board.find("#map").get_attribute("data-view")).split()[2:4]
    )
    assert across == down
    row = np.arange(30 * COLUMNS + 35, 30 * COLUMNS + 46)
    cells = np.concatenate((row - COLUMNS, row, row + COLUMNS))
    served.call(lambda: served.source.measure(cells))
    board.wait(lambda: colours(board, 38, 30) == {MEASURED}, 10, "the fresh cells")
    assert UNVISITED in colours(board, 25, 30)


def test_colours_of_thickness_are_those_of_the_plan(board: Browser, served: ServedPage) -> None:
    """A thickness has the colour of matplotlib's viridis, whatever else is measured."""
    (thick,) = colours(board, 40, 1)
    # 14 mm on the scale from 4 to 16 mm that nominal thickness and alert level give.
    share = (14.0 - 4.0) / 12.0
    assert thick == pytest.approx([255 * part for part in colormaps["viridis"](share)[:3]], abs=1)
    served.call(lambda: served.source.measure(np.array([30 * COLUMNS + 5]), 3.0))
    served.call(lambda: served.source.measure(np.array([30 * COLUMNS + 50]), 40.0))
    board.wait(lambda: UNVISITED not in colours(board, 50, 30), 10, "the thickest cell")
    assert colours(board, 40, 1) == {thick}
    assert thick not in colours(board, 50, 30)  # beyond the scale: a pattern of its own
    assert [tick.text for tick in board.all("#scale-ticks span")] == [
        "4", "6", "8", "10", "12", "14", "16 mm",
    ]  # fmt: skip
    assert [mark.text for mark in board.all("#scale-levels span")] == [
        "✚ alert 8 mm", "nominal 14 mm",
    ]  # fmt: skip
    board.find("#minimum-show").click()
    for _ in range(6):
        board.find("#zoom-in").click()
    settle(board)
    x, y = point(board, 20.3, 3.3)
    thin = board.run(
        "return Array.from(document.getElementById('map').getContext('2d')"
        ".getImageData(arguments[0], arguments[1], 1, 1).data)",
        round(x),
        round(y),
    )
    assert sum(thin[:3]) < sum(thick) / 1.5


def test_gaps_by_distance_and_highlight(board: Browser, served: ServedPage) -> None:
    """Gaps are listed nearest first, those of a stretch as one; focus marks them on the map."""
    board.wait(lambda: len(board.all("#gap-list .go")) == 2, 10, "the list")
    nearest, farther = (button.text.splitlines() for button in board.all("#gap-list .go"))
    assert nearest[:2] == ["Gap 2 … 3:", "scan 9.5–12.5 mm"]  # together; the probe is there
    assert nearest[-1] == "here"
    assert farther[:2] == ["Gap 1:", "scan 29.5–33.5 mm"]
    assert farther[-1] == "20 mm →"
    assert board.text("#gap-count") == "(3 gaps in 2 regions)"
    assert board.all("#gap-list .go")[0].accessible_name.startswith("Gap 2 … 3: scan 9.5")

    def move() -> None:
        source = served.source
        source.say("progress", **progress(scan=40.0))
        source.measure(np.array([4 * COLUMNS + 40]))

    served.call(move)
    first = "return document.querySelector('#gap-list .where').textContent"
    board.wait(lambda: board.run(first) == "scan 29.5–33.5 mm", 10, "the other order")
    before = board.run("return document.getElementById('map').toDataURL()")
    board.run("document.querySelector('#gap-list .go').focus()")
    board.wait(
        lambda: board.run("return document.getElementById('map').toDataURL()") != before,
        10,
        "the mark on the map",
    )
    # While the focus is in the list, its order stays.
    served.call(lambda: served.source.measure(np.array([4 * COLUMNS + 10])))
    board.wait(lambda: "10" in board.text("#position"), 10, "the probe")
    assert board.run(first) == "scan 29.5–33.5 mm"
    closed = {"status": "closed", "end": "measured", "closed": "2030-01-01T10:05:00Z"}
    served.call(lambda: served.source.say("gap/1", **gap(1, (29.5, 33.5), (1.5, 2.5), **closed)))
    board.wait(lambda: len(board.all("#gap-list .go")) == 1, 10, "the list after a gap closed")
    assert board.text("#gap-closed").startswith("Last closed: gap 1")


def test_gap_shows_all_its_causes(board: Browser, served: ServedPage) -> None:
    """The commonest one first, and of how many cells the others are."""
    causes = {"no signal": 12, "unvisited": 50, "too fast": 2}
    merged = gap(1, (29.5, 45.5), (1.5, 5.5), cause="unvisited", cells=64, causes=causes)
    served.call(lambda: served.source.say("gap/1", **merged))
    text = "to scan; 12 no signal, 2 too fast of 64 · index 1.5–5.5 mm · 64 cells"
    board.wait(lambda: text in board.text("#gap-list"), 10, "the causes")


def test_very_many_gaps_are_counted_and_some_listed(board: Browser, served: ServedPage) -> None:
    """The heading has all of them, the end of the list those that have no message; a removed one goes."""
    index = {"open": 20_003, "listed": 3, "cells": 30_000, "causes": {"too fast": 20_003}}
    served.call(lambda: served.source.say("gaps", **index, blocks=[]))
    heading = "(20\u202f003; the largest and nearest 3 are listed)"
    board.wait(lambda: board.text("#gap-count") == heading, 10, "the count of all")
    assert board.text("#gap-more") == "and 20\u202f000 more"
    index |= {"listed": 2}

    def remove() -> None:
        served.source.remove("gap/1")
        served.source.say("gaps", **index, blocks=[])

    served.call(remove)
    board.wait(lambda: len(board.all("#gap-list .go")) == 1, 10, "the list without it")
    assert board.text("#gap-count") == "(20\u202f003; the largest and nearest 2 are listed)"


def test_gap_over_the_seam_is_near_and_whole(browser: Browser) -> None:
    """Round a pipe the short way counts, and an extent reads on the turn."""
    station = station_of_size(ROWS, COLUMNS)
    assert station.index is not None
    index = station.index.model_copy(update={"mode": AxisMode.WRAPPED, "length": 40.0})
    source = PlayedSource(station=station.model_copy(update={"index": index}))
    assert source.grid.index.wrapped
    source.say("progress", **progress(index=2.0))
    source.say("gap/1", **gap(1, (9.5, 12.5), (36.5, 41.5), cells=15))
    source.at = (10.0, 2.0)
    source.say("gap/2", **gap(2, (9.5, 12.5), (9.5, 10.5), cells=3))
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)
        browser.wait(lambda: len(browser.all("#gap-list .go")) == 2, 10, "the list")
        nearest, farther = (button.text.splitlines() for button in browser.all("#gap-list .go"))
        assert "index 36.5–1.5 mm" in nearest[2]
        assert nearest[-1] == "1 mm ↑"
        assert farther[-1] == "8 mm ↓"
    assert not browser.complaints()


def test_extents_on_a_circumference(board: Browser) -> None:
    """Offsets have the sign of the shorter way; an extent over the seam is two parts on the map."""
    found = board.run_to_end(
        "const done = arguments[arguments.length - 1];"
        "const pipe = {start: 0, resolution: 2, cells: 342, wrapped: true};"
        "const flat = {...pipe, wrapped: false};"
        "import('/static/seam.js').then(({offset, reading, pieces}) => done({"
        "  offset: [[20, [680, 700]], [10, [680, 700]], [340, [680, 700]], [350, [1, 3]],"
        "           [360, [1, 3]], [683, [1, 3]]].map(([at, ends]) => offset(at, ends, pipe)),"
        "  flat: [5, 15, 25].map((at) => offset(at, [10, 20], flat)),"
        "  reading: [[680, 696], [600, 684], [10, 20], [5, 689], [-4, 6]].map((e) => reading(e, pipe)),"
        "  pieces: [[680, 696], [10, 20], [0, 684], [-5, 3]].map((e) => pieces(e, pipe)),"
        "  flatPieces: pieces([680, 696], flat),"
        "}))"
    )
    assert found == {
        "offset": [-4, 0, -324, 335, 325, 2],
        "flat": [5, 0, -5],
        "reading": [[680, 12], [600, 684], [10, 20], [0, 684], [680, 6]],
        "pieces": [[[680, 683], [-1, 12]], [[10, 20]], [[-1, 683]], [[679, 683], [-1, 3]]],
        "flatPieces": [[680, 696]],
    }


def test_zone_across_the_whole_plan_is_drawn(board: Browser, served: ServedPage) -> None:
    """A zone without borders on an axis is all of it."""
    zone = {"name": "belt", "scan": None, "index": {"from": 20.0, "to": 25.0}}
    state = {"state": "scanning", "reason": "", "time": "2030-01-01T10:00:00Z"}
    before = board.run("return document.getElementById('map').toDataURL()")
    served.call(lambda: served.source.say("state", plan={"excluded": [zone]}, **state))
    picture = "return document.getElementById('map').toDataURL()"
    board.wait(lambda: board.run(picture) != before, 10, "its name on the map")
    assert not board.complaints()


def test_tapped_cell_shows_its_reading(board: Browser) -> None:
    """A tap on a cell shows its reading, state and line; Escape closes it."""
    tap(board, 20, 3)
    board.wait(lambda: board.find("#reading").is_displayed(), 10, "the reading")
    assert board.text("#reading-title") == "Reading at scan 20.00 mm, index 3.00 mm"
    assert board.text("#reading-state") == "7.250 mm, measured"
    assert board.find("#profile svg").is_displayed()
    assert not board.find("#ascan").is_displayed()
    tap(board, 31, 2)
    text = "14.000 mm, no signal: probe was here, no valid reading"  # it was read before
    board.wait(lambda: board.text("#reading-state") == text, 10, "the other reading")
    board.find("#reading-close").send_keys(Keys.ESCAPE)
    assert not board.find("#reading").is_displayed()


def test_tapped_cell_shows_its_ascan(
    browser: Browser, served: ServedPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where A-scans are kept a tap draws the cell's, in % of full screen height over µs."""
    form = WaveformFormat(
        samples=400, interval_us=0.02, start_us=0.5, full_scale=100, zero=128, dtype=np.dtype("u1")
    )
    monkeypatch.setattr("swathe.page.readings.kept_waveforms", lambda _: form)
    gates = settings(
        {"name": "first", "start": "0.8 us", "width": "2.4 us"},
        {"name": "second", "after": "first", "start": "1.2 us", "width": "3 us"},
        mode="echo to echo",
        time_of_flight=["first", "second"],
        band={"centre": "5 MHz"},
    )
    served.source.station = served.source.station.model_copy(update={"echo": gates})
    grid = served.source.grid
    grid.keep_waveforms(form.samples, form.dtype)
    assert grid.waveform is not None
    cell = 3 * COLUMNS + 20
    # The second gate has, besides the wall's repeat 2 µs later, another echo.
    (wave,) = scans([[(2.0, 90.0), (4.0, 60.0), (5.2, 45.0)]], samples=400, start=0.5)
    grid.waveform[cell] = np.rint(wave + 128).astype(np.uint8)
    waveform = json.loads(served.ask("/cell/3/20")[2])["waveform"]
    assert (waveform["start"], waveform["interval"]) == (0.5, 0.02)
    assert waveform["samples"][75] == 90  # as sent; the trace is behind the band-pass
    assert 75 < waveform["trace"][75] < 85
    first, second = waveform["gates"]
    assert waveform["flight"] == [first["time"], second["time"]]
    assert waveform["flight"] == pytest.approx([2.05, 4.05], abs=2e-3)
    assert (second["begin"], second["end"]) == pytest.approx((3.25, 6.25), abs=2e-3)
    assert (first["second_time"], second["second_time"]) == (None, pytest.approx(5.25, abs=0.02))
    browser.open(served.page.url)
    settle(browser)
    tap(browser, 20, 3)
    browser.wait(lambda: browser.all("#ascan svg"), 10, "the A-scan")
    assert "of full screen height" in browser.text("#ascan")
    assert "another echo follows in the gate" in browser.text("#ascan figcaption")
    assert len(browser.all("#ascan circle.point")) == 2
    assert len(browser.all("#ascan path.bar")) == 2
    assert len(browser.all("#ascan path.second")) == 1
    spoken = browser.find("#ascan svg").get_attribute("aria-label")
    assert spoken is not None
    assert "time of flight 2.000 µs" in spoken
    assert not browser.complaints()


def test_lines_too_far_apart_for_the_beam_are_warned_of(browser: Browser) -> None:
    """The warning is next to the share of cells, in the plan's words; without a beam there is none."""
    probe = '[probe]\ndiameter = "6 mm"\nfrequency = "5 MHz"\nbeam = "0.6 mm"\n'
    for tables, shown in ((probe, 2), ("", 0)):
        source = PlayedSource(ROWS, COLUMNS, station=station_of_size(ROWS, COLUMNS, tables=tables))
        play(source)
        with ServedPage(source) as page:
            browser.open(page.page.url)
            settle(browser)
            assert browser.find("#cover-warnings").is_displayed() is bool(shown)
            if shown:
                browser.find("#cover-warnings summary").click()
            warnings = [item.text for item in browser.all("#cover-warnings li")]
            assert len(warnings) == shown
            if shown:
                assert warnings[0].startswith(
                    "the scan axis steps by 1 mm, but the beam is 0.60 mm"
                )


def test_keys_move_the_map(board: Browser) -> None:
    """Everything on the map can be done by keys: move, zoom, whole part, read a cell."""
    canvas = board.find("#map")

    def view() -> list[float]:
        return [float(v) for v in (canvas.get_attribute("data-view") or "").split()]

    def press(*keys: str) -> list[float]:
        before = view()
        canvas.send_keys(*keys)
        board.wait(lambda: view() != before, 5, f"{keys}")
        return view()

    whole = view()
    closer = press("+")
    assert closer[2] > whole[2]
    right = press(Keys.ARROW_RIGHT)
    assert right[4] > closer[4]
    assert press(Keys.ARROW_DOWN)[5] > right[5]
    assert press("0") == whole
    canvas.send_keys(Keys.ENTER)
    board.wait(lambda: board.find("#reading").is_displayed(), 10, "the reading")


def test_pace_too_fast_is_plain(board: Browser, served: ServedPage) -> None:
    """Too fast is shown as text and by a pattern, not by a colour alone."""
    assert board.text("#too-fast") == ""
    fast = progress(speed=230.0, too_fast=True)
    served.call(lambda: served.source.say("progress", **fast))
    board.wait(lambda: board.text("#too-fast") == "▲ TOO FAST: slow down", 10, "too fast")
    fill = board.find("#speed-fill").value_of_css_property("background-image")
    assert "repeating-linear-gradient" in fill


def test_check_overdue_and_failed(board: Browser, served: ServedPage) -> None:
    """A check that failed or is overdue is shown as such."""
    late = progress(check_due="2030-01-01T09:30:00Z", check_overdue=True, suspect=12)
    served.call(lambda: served.source.say("progress", **late))
    board.wait(lambda: "OVERDUE since" in board.text("#check-due"), 10, "overdue")
    assert "12 suspect" in board.text("#cover-text")
    failed = {**json.loads(served.source.messages["check/1"]), "number": 2, "passed": False}
    served.call(lambda: served.source.say("check/2", **failed))
    board.wait(lambda: "✕ FAILED" in board.text("#check-text"), 10, "the failed check")


def test_lengths_in_inches(board: Browser) -> None:
    """Lengths may be had in inches."""
    board.find("#units").click()
    assert board.text("#minimum") == "0.285 in ▼"
    assert board.text("#speed") == "3.15 in/s"


def test_a_station_in_inches_is_shown_in_inches(board: Browser) -> None:
    """Its plan decides until the viewer does; each length has the digits of the other outputs."""
    cells = [1.27, 1.5875, 25.4, 1.0, 4.0]
    lengths = [0.0, 1.5875, 4.7625, 45.72, -0.001, 177.8]
    shown = board.run_to_end(
        "const [cells, lengths, done] = arguments;"
        "import('/static/labels.js').then((l) => {"
        "  const before = l.inInches();"
        "  const table = cells.map((width) => {"
        "    l.setStation({units: 'in', scan: {resolution: width}, index: {resolution: width}});"
        "    return lengths.map((mm) => [l.point(mm), l.point(mm, 'index'), l.linePlace(mm)]);"
        "  });"
        "  done([before, l.inInches(), table, lengths.map(l.stated), lengths.map(l.thick),"
        "        lengths.map(l.difference), lengths.map(l.speed), lengths.map(l.level)]);"
        "})",
        cells,
        lengths,
    )
    assert shown[:2] == [False, True]
    places = [[INCHES.place_text(mm, width) for mm in lengths] for width in cells]
    for row, expected in zip(shown[2], places, strict=True):
        for texts, text in zip(row, expected, strict=True):
            assert texts == [text] * 3
    assert shown[3] == [INCHES.stated_text(mm) for mm in lengths]
    assert shown[4] == [INCHES.thickness_text(mm) for mm in lengths]
    assert shown[7] == [INCHES.stated_thickness_text(mm) for mm in lengths]
    assert shown[5] == [INCHES.difference_text(mm) for mm in lengths]
    assert shown[6] == [INCHES.speed_text(mm) for mm in lengths]


def test_numbers_have_the_digits_of_the_other_outputs(board: Browser) -> None:
    """Thickness, coverage and speed are shown with the decimals of the messages."""
    shown = board.run_to_end(
        "const done = arguments[arguments.length - 1];"
        "import('/static/labels.js').then(({thick, percent, speed}) => {"
        "  const each = (make) => Array.from({length: 20001}, (_, k) => make(k));"
        "  done([each((k) => thick(k / 1000)), each((k) => percent(k / 100)),"
        "        each((k) => speed(k / 10))]);"
        "})"
    )
    values = range(20001)
    assert shown[0] == [f"{k / 1000:.3f} mm" for k in values]
    assert shown[1] == [f"{k / 100:.2f}" for k in values]
    assert shown[2] == [f"{k / 10:.1f} mm/s" for k in values]


def test_labels_cover_states_causes_and_alarms(board: Browser) -> None:
    """Every state, cause of a gap and kind of alarm has its label on the page."""
    labels = board.run_to_end(
        "const done = arguments[arguments.length - 1];"
        "import('/static/labels.js').then((l) => done("
        "  [l.STATE_LABELS, l.STATE_NAMES, l.CAUSE_STATE, l.ALARM_NAMES].map(Object.keys)))"
    )
    states = {state.name.lower() for state in CellState}
    assert [set(names) for names in labels] == [
        states, states, {str(cause) for cause in GapCause}, {str(kind) for kind in AlarmKind}
    ]  # fmt: skip


def test_note_is_sent_after_a_second_step(board: Browser, served: ServedPage) -> None:
    """A command is sent once it is confirmed, and its reply is shown."""
    assert not any(b.is_displayed() for b in board.all("[data-stepped]"))
    board.find("[data-command=note]").click()
    board.find("#confirm-note").send_keys("paint loose")
    board.find("#confirm button[value=no]").click()
    board.find("[data-command=note]").click()
    board.find("#confirm-note").send_keys("paint loose here")
    board.find("#confirm-by").send_keys("crew")
    board.find("#confirm-yes").click()
    board.wait(lambda: board.text("#reply") == "✓ Accepted: noted", 10, "the reply")
    (command,) = served.source.commands
    assert (command.command, command.text, command.by) == ("note", "paint loose here", "crew")


def test_lines_of_a_stepped_plan(browser: Browser) -> None:
    """On a stepped axis the page offers any line, and the next one by a touch."""
    source = PlayedSource(ROWS, COLUMNS)
    play(source)
    index = station_of_size(ROWS, COLUMNS).index
    assert index is not None
    stepped = index.model_copy(update={"mode": AxisMode.STEPPED})
    source.station = source.station.model_copy(update={"index": stepped})
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)
        browser.find("[data-command=line]").click()
        assert browser.find("#confirm-line").get_attribute("value") == "5"
        browser.find("#confirm-by").send_keys("crew", Keys.ENTER)
        browser.wait(lambda: len(source.commands) == 1, 10, "the command")
        browser.find("[data-now='next line']").click()
        browser.wait(lambda: len(source.commands) == 2, 10, "the second command")
    sent = [(command.command, command.line, command.by) for command in source.commands]
    assert sent == [("line", 5, "crew"), ("next line", None, "crew")]


def test_token_by_address_or_by_hand(browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    """The token in the address opens the page and is removed; without it the login shows."""
    monkeypatch.setenv("PAGE_TOKEN", "correct-horse-battery")
    source = PlayedSource(ROWS, COLUMNS)
    play(source)
    settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106
    with ServedPage(source, settings) as served:
        browser.open(served.page.url)
        settle(browser)
        assert "token" not in browser.driver.current_url
        browser.open(served.page.url.partition("#")[0])
        browser.wait(lambda: browser.find("#login").is_displayed(), 10, "the login")
        assert not browser.find("#board").is_displayed()
        browser.find("#token").send_keys("wrong", Keys.ENTER)
        browser.wait(lambda: browser.text("#login-message") == "Wrong token.", 10, "the refusal")
        browser.find("#token").clear()
        browser.find("#token").send_keys("correct-horse-battery", Keys.ENTER)
        settle(browser)
        assert browser.find("#board").is_displayed()


def test_line_profile_without_index_axis(browser: Browser) -> None:
    """A plan without an index axis is shown as a ribbon, and a tap shows its profile."""
    source = PlayedSource(station=station_of_size(2, 3000).model_copy(update={"index": None}))
    source.measure(np.arange(1000), 12.0)
    source.say("progress", **progress(minimum_index=None))
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)
        show_coverage(browser)
        browser.wait(lambda: colours(browser, 500, 0) == {MEASURED}, 10, "the ribbon")
        assert UNVISITED in colours(browser, 2000, 0)
        tap(browser, 500, 0)
        browser.wait(lambda: browser.all("#profile svg"), 10, "the profile")
    assert not browser.complaints()


def small_targets(browser: Browser) -> list[str]:
    """Return what is too small for a glove: buttons, fields, and the labels of choices."""
    found = browser.run(
        "return [...document.querySelectorAll('button, input[type=number], input[type=text], select,"
        " .choice label, .picks label, .kinds label')]"
        ".filter((e) => e.offsetParent || e.closest('dialog[open]'))"
        ".map((e) => [e.id || e.textContent, e.getBoundingClientRect(), e.checkVisibility()])"
        ".filter(([, r, seen]) => seen && (r.width < 44 || r.height < 44)).map(([name]) => name)"
    )
    return [str(name) for name in found]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (820, 1180), (1920, 1080)])
def test_page_is_accessible(
    browser: Browser, served: ServedPage, tmp_path: Path, width: int, height: int, theme: str
) -> None:
    """axe-core finds nothing serious; every target is 44 pixels or more; nothing sticks out."""
    axe = axe_source()
    source = served.source
    motion = parse_station(crawl_station(tmp_path, guard='heartbeat = "1 s"'), "belt.toml").motion
    source.station = source.station.model_copy(update={"motion": motion})
    source.crawl("moving", "raster: 11 of 11 lines, 52 s, 5.2 m")
    source.step = HandGuidance(gap=1, scan=(30, 34), index=2, mm="line 2, from 30 mm", inches="")
    play_alarms(source)
    source.noted = [(10**18, "weld 12 begins")]
    source.say("progress", **progress(lifted=True))
    browser.shape(width, height, touch=width < 1000)
    browser.theme(theme)
    browser.open(served.page.url)
    settle(browser)
    tap(browser, 20, 3)
    browser.wait(lambda: browser.find("#reading").is_displayed(), 10, "the reading")
    stages = ("board", "exclude", "undo", "reference", "sounds", "name", "lost")
    for stage in stages:
        if stage in ("exclude", "undo", "reference"):
            browser.run(f"document.querySelector('[data-command={stage}]').click()")
        elif stage == "lost":
            browser.run("document.body.classList.add('lost')")
        elif stage != "board":
            browser.run(f"document.getElementById('{stage}').showModal()")
        browser.run(axe)
        found = browser.run_to_end(
            "const done = arguments[arguments.length - 1];"
            "axe.run(document, {resultTypes: ['violations']}).then(done, (e) => done(String(e)))"
        )
        grave = [
            (one["id"], [node["html"][:120] for node in one["nodes"]])
            for one in found["violations"]
            if one["impact"] in ("serious", "critical")
        ]
        assert not grave, f"{stage}: {grave}"
        assert not small_targets(browser), stage
        browser.run("document.querySelector('dialog[open]')?.close('no')")
    assert browser.run("return document.documentElement.scrollWidth <= window.innerWidth")


def test_result_outlives_the_station(board: Browser, served: ServedPage) -> None:
    """A run that ended shows its figures in full colour, and has its files when the station is gone."""
    files = [
        ResultFile("bench.png", "Picture", "image/png", b"picture"),
        ResultFile("bench.txt", "Report", "text/plain; charset=utf-8", b"report"),
    ]

    def end() -> None:
        time = moment(10**18).isoformat()
        served.source.say("state", state="complete", reason="the plan is covered", time=time)

    assert not board.find("#result").is_displayed()
    served.call(end)
    board.wait(lambda: board.find("#result").is_displayed(), 10, "the result")
    asyncio.run_coroutine_threadsafe(
        served.page.hand_over(files, "/surveys/bench", 20), served.loop
    ).result(30)
    board.wait(lambda: len(board.all(".download")) == 2, 10, "its files")
    served.call(served.hub.close_viewers)
    asyncio.run_coroutine_threadsafe(served.page.close(), served.loop).result(20)
    lost = "return document.querySelectorAll('#paused, .commands, .speed, .left')"
    assert not any(part.is_displayed() for part in board.run(lost))
    texts = [" ".join(link.text.split()) for link in board.all(".download")]
    assert texts == ["↓ Picture, 1 kB", "↓ Report, 1 kB"]
    address = board.run("return document.querySelectorAll('.download')[1].href")
    assert address.startswith("blob:")
    text = board.find("#result").text
    assert text.count("The plan is covered") == 1
    assert "7.250 mm at scan 20.00 mm, index 3.00 mm" in text
    assert "3: 1 no signal, 2 too fast" in text
    assert "/surveys/bench" in text
    assert board.text("#banner") == ""
    assert not board.run("return document.body.classList.contains('lost')")


def test_survey_placed_again_replaces_map_and_gaps(board: Browser, served: ServedPage) -> None:
    """No cell and no gap of the earlier state stays, and the reader sees the same part of the map."""
    source = served.source
    cells = np.arange(19 * COLUMNS, 22 * COLUMNS)
    served.call(lambda: source.measure(cells))
    show_coverage(board)
    board.find("#zoom-in").click()
    settle(board)
    board.wait(lambda: colours(board, 30, 20) == {MEASURED}, 10, "measured cells")
    view = board.find("#map").get_attribute("data-view")
    board.wait(lambda: "Gap 1:" in board.text("#gap-list"), 10, "the list")
    grid = Grid(scan=source.grid.scan, index=source.grid.index, rule=source.grid.rule)

    def replace() -> None:
        source.grid = grid
        for topic in [topic for topic in source.messages if topic.startswith("gap/")]:
            del source.messages[topic]
        source.say("gap/9", **gap(9, (40.5, 41.5), (20.5, 21.5)))
        applied = {"text": "delay of gauge: 46.8 ms, measured in this survey"}
        source.say("port/gauge", **port("gauge", applied_delay=applied))
        served.page.replace()

    served.call(replace)
    board.wait(lambda: "Gap 9:" in board.text("#gap-list"), 10, "the new gap")
    assert "Gap 1:" not in board.text("#gap-list")
    settle(board)
    board.wait(lambda: MEASURED not in colours(board, 30, 20), 10, "cells to scan")
    assert board.find("#map").get_attribute("data-view") == view
    assert "46.8 ms, measured in this survey" in board.text("#port-list")
    served.call(lambda: source.measure(cells))  # in the new grid
    board.wait(lambda: colours(board, 30, 20) == {MEASURED}, 10, "fresh cells")
    assert not board.complaints()


def test_survey_that_is_resumed_is_shown_by_its_share(browser: Browser) -> None:
    """With nothing that would not be obeyed, nor a STOP that stops nothing; then the survey."""
    source = PlayedSource(ROWS, COLUMNS)
    source.opening = Opening("bench", "Penstock 3", crawls=True)
    resuming = {
        "reason": "earlier runs are replayed", "since": "2030-01-01T10:00:00Z", "todo": "", "by": "",
        "plan": None,
    }  # fmt: skip
    source.say(
        "state",
        state="resuming",
        time="2030-01-01T10:00:00Z",
        **resuming,
        resumed=0.0,
        resumed_in=None,
    )
    with ServedPage(source) as served:
        browser.open(served.page.url)
        browser.wait(lambda: browser.find("#resuming").is_displayed(), 20, "the replay")
        assert browser.text("#resuming-left") == "time left not known yet · 0 s so far"
        later = {"time": "2030-01-01T10:00:07Z", "resumed": 41.5, "resumed_in": 83.0}
        served.call(lambda: source.say("state", state="resuming", **resuming, **later))
        browser.wait(lambda: browser.text("#resuming-share") == "41.5", 20, "the share")
        assert browser.text("#resuming-left") == "about 1 min 23 s left · 7 s so far"
        assert browser.find("#resuming-bar").get_attribute("aria-valuenow") == "41.5"
        assert browser.find("#resuming-crawler").is_displayed()
        acts = [
            one
            for one in browser.all("[data-command], [data-now], [data-stop]")
            if one.is_displayed()
        ]
        assert [one.text for one in acts] == ["Note…", "Stop the run…"]
        assert browser.text("#part") == "Penstock 3"
        source.opening = None
        play(source)
        served.call(served.page.begin)
        settle(browser)
        assert not browser.find("#resuming").is_displayed()
        assert browser.find("#map").is_displayed()
        assert browser.text("#gap-count") == "(3 gaps in 2 regions)"
        assert not browser.complaints()


@pytest.mark.parametrize(("rows", "columns"), [(10, 1200), (1200, 10)])
def test_very_long_part_is_shown_in_sections(browser: Browser, rows: int, columns: int) -> None:
    """Each with its stretch of the long axis, in one scale, none of it twice; a tap finds its cell."""
    source = PlayedSource(rows, columns)
    with ServedPage(source) as served:
        source.say("state", state="scanning", reason="", time="2030-01-01T10:00:00Z")
        source.say("progress", **progress(minimum=None, minimum_scan=None, minimum_index=None))
        browser.open(served.page.url)
        settle(browser)
        canvas = browser.find("#map")

        def sections() -> list[list[float]]:
            return [
                list(map(float, one))
                for one in json.loads(canvas.get_attribute("data-sections") or "[]")
            ]

        long, found = int(rows > columns), sections()
        assert len(found) >= 3
        assert found[0][4 + long] == -0.5
        assert found[-1][6 + long] == 1199.5
        assert [one[6 + long] for one in found[:-1]] == [one[4 + long] for one in found[1:]]
        scale = float((canvas.get_attribute("data-view") or "").split()[2])
        assert scale > 1.3 * canvas.size["width" if columns > rows else "height"] / 1200
        # A cell in the middle of the second section.
        left, top, width, height, *_ = found[1]
        middle = (found[1][4 + long] + found[1][6 + long]) / 2
        thin = min(width, height) - 5 * scale - 3
        x, y = (
            (left + width / 2 + 12, top + thin)
            if not long
            else (left + thin, top + height / 2 + 12)
        )
        tap_point(browser, x, y)
        browser.wait(lambda: browser.find("#reading").is_displayed(), 10, "the reading")
        at = browser.text("#reading-title") + browser.text("#reading-state")
        number = float(re.findall(r"(?:scan|index)\D*(\d+)", at)[long])
        assert abs(number - middle) < 12 / scale + 20, at
        browser.find("#zoom-in").click()
        settle(browser)
        assert sections() == []
        browser.find("#fit").click()
        browser.wait(lambda: sections() == found, 10, "the sections")


def test_button_of_themes_goes_round_and_is_kept(browser: Browser, served: ServedPage) -> None:
    """Device, light, dark and the device again; and the next visit has it."""
    browser.theme("light")
    browser.open(served.page.url)
    settle(browser)
    seen = []
    for _ in range(4):
        theme = browser.run("return document.documentElement.dataset.theme ?? ''")
        seen.append((browser.text("#theme"), theme))
        browser.run("document.getElementById('theme').click()")
    assert seen == [
        ("Theme: auto", ""),
        ("Theme: light", "light"),
        ("Theme: dark", "dark"),
        ("Theme: auto", ""),
    ]
    browser.driver.refresh()
    browser.wait(lambda: browser.text("#theme") == "Theme: light", 10, "the theme of before")
