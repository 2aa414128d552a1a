"""Several probes on the page: each one's state as text, and the carriage on the map."""

from __future__ import annotations

import pytest

from daemon.motion_model import with_probes
from support.board import COLUMNS, ROWS, play, point, progress, settle
from support.browser import Browser
from support.page import PlayedSource, ServedPage, station_of_size
from swathe.page.plan import viewer_plan

OFFSETS = ((0.0, 0.0), (6.0, 4.0), (0.0, 8.0))


def probes(*states: str) -> list[dict[str, object]]:
    """Return what is published of probes with these states; the thickness is 9 mm and the number."""
    now = "2099-01-01T10:00:00Z"  # never old, however slow the browser is
    return [
        {"name": f"p{k}", "state": state, "alone": state == "no echo" and "echo" in states,
         "last_echo": "2030-01-01T10:00:00Z", "readings": 1000, "echoes": 900 - k,
         "last_reading": None if state == "no readings" else now, "has_echo": state == "echo",
         "thickness": 9.0 + k if state == "echo" else None, "amplitude": 80.0,
         "scan": 10.0 + OFFSETS[k][0], "index": 4.0 + OFFSETS[k][1]}
        for k, state in enumerate(states)
    ]  # fmt: skip


def dark(browser: Browser, scan: float, index: float) -> bool:
    """Return whether the middle of a place on the map is filled with the colour of a probe."""
    x, y = point(browser, scan, index)
    script = (
        "const d = document.getElementById('map').getContext('2d')"
        ".getImageData(arguments[0], arguments[1], 1, 1).data; return [d[0], d[1], d[2]]"
    )
    return bool(browser.run(script, round(x), round(y)) == browser.run(script, *ring(browser)))


def ring(browser: Browser) -> tuple[int, int]:
    """Return the pixel of the first probe, which has an echo."""
    x, y = point(browser, 10.0, 4.0)
    return round(x) + 1, round(y) + 1


@pytest.mark.slow
def test_state_of_each_probe_is_listed_and_drawn_where_it_is(browser: Browser) -> None:
    """A probe without an echo while others have one is a fault of its own; it is hollow on the map."""
    source = PlayedSource(
        ROWS, COLUMNS, station=with_probes(station_of_size(ROWS, COLUMNS), *OFFSETS)
    )
    play(source)
    source.say("progress", **progress(probes=probes("echo", "no echo", "echo")))
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)
        rows = [row.text for row in browser.all("#probes-now tbody tr")]
        assert rows[0].startswith("p0 9.000 ✓ echo 80 % 90.0 %")
        assert rows[0].endswith("10.00 / 4.00")
        assert rows[1].startswith("p1 – ✕ no echo 80 % 89.9 %")
        assert rows[2].startswith("p2 11.000 ✓ echo")
        kinds = [row.get_attribute("class") for row in browser.all("#probes-now tbody tr")]
        assert kinds == ["well", "ill", "well"]
        assert browser.text("#probes-unit") == "mm"
        assert browser.text("#position").startswith("Datum: scan ")
        assert dark(browser, 10.0, 12.0)
    assert not browser.complaints()


@pytest.mark.slow
def test_a_carriage_that_turns_is_drawn_turned_and_without_probes_while_nobody_knows_how(
    browser: Browser,
) -> None:
    """At 90 degrees a probe 8 mm to the side is 8 mm behind; an old reading is none of now."""
    station = with_probes(station_of_size(ROWS, COLUMNS), *OFFSETS, heading={"device": "encoder"})
    source = PlayedSource(ROWS, COLUMNS, station=station)
    source.turned = 90.0
    source.say("progress", **progress(probes=probes("echo", "no readings", "echo")))
    with ServedPage(source) as served:
        browser.open(served.page.url)
        settle(browser)

        def filled(scan: float, index: float) -> bool:
            x, y = (round(at) for at in point(browser, scan, index))
            script = (
                "const d = document.getElementById('map').getContext('2d')"
                ".getImageData(arguments[0], arguments[1], 1, 1).data; return [d[0], d[1], d[2]]"
            )
            ink = "return getComputedStyle(document.documentElement).getPropertyValue('--deep')"
            deep = str(browser.run(ink)).strip().lstrip("#")
            return bool(browser.run(script, x, y) == [int(deep[k : k + 2], 16) for k in (0, 2, 4)])

        browser.wait(lambda: filled(2.0, 4.0), 10, "the probe behind the datum")
        assert not filled(10.0, 12.0)
        rows = [row.text for row in browser.all("#probes-now tbody tr")]
        assert rows[1].startswith("p1 – ✕ no reading")
        assert "never" in rows[1]
        source.turned = None
        browser.wait(lambda: not filled(2.0, 4.0), 10, "no probe drawn")
    assert not browser.complaints()


def test_plan_says_whether_the_carriage_turns() -> None:
    """Offsets are those at a heading of 0; the page turns them."""
    for carriage, turns in (({}, False), ({"heading": {"device": "encoder"}}, True)):
        station = with_probes(station_of_size(ROWS, COLUMNS), *OFFSETS, **carriage)
        plan = viewer_plan(PlayedSource(station=station), [], session="s", placing="p")
        assert [one["name"] for one in plan["probes"]] == ["p0", "p1", "p2"]
        assert plan["probes"][1]["scan"] == 6.0
        assert plan["turns"] is turns
    plain = viewer_plan(PlayedSource(ROWS, COLUMNS), [], session="s", placing="p")
    assert plain["probes"] == []
