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
    """Return what is published of probes with these states."""
    return [
        {"name": f"p{k}", "state": state, "alone": state == "no echo" and "echo" in states,
         "last_echo": "2030-01-01T10:00:00Z", "readings": 1000, "echoes": 900 - k}
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
        listed = [item.text for item in browser.all("#port-list li") if "probe " in item.text]
        assert "probe p0: echo" in listed[0]
        assert "probe p1: no echo" in listed[1]
        assert "others have one" in listed[1]
        assert "899 of 1\u202f000 readings with an echo" in listed[1]
        kinds = [item.get_attribute("class") for item in browser.all("#port-list li")]
        assert kinds.count("ill") == 2  # the gauge that play() has lost, and the probe
        assert browser.text("#position").startswith("Datum: scan ")
        assert dark(browser, 10.0, 12.0)
    assert not browser.complaints()


def test_offsets_of_a_carriage_that_turns_are_no_places() -> None:
    """They turn with it: the page lists these probes and does not draw them."""
    for carriage, scan in (({}, 6.0), ({"heading": {"device": "encoder"}}, None)):
        station = with_probes(station_of_size(ROWS, COLUMNS), *OFFSETS, **carriage)
        plan = viewer_plan(PlayedSource(station=station), [], session="s", placing="p")
        assert [one["name"] for one in plan["probes"]] == ["p0", "p1", "p2"]
        assert plan["probes"][1]["scan"] == scan
    plain = viewer_plan(PlayedSource(ROWS, COLUMNS), [], session="s", placing="p")
    assert plain["probes"] == []
