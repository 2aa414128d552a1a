"""A survey that is under way, played for the page, and how tests look at it in the browser."""

from __future__ import annotations

from typing import Any

import numpy as np
from selenium.webdriver import ActionChains

from support.browser import Browser
from support.page import PlayedSource
from swathe.pipeline import CellState

__all__ = [
    "COLUMNS",
    "ROWS",
    "alarm",
    "gap",
    "play",
    "play_alarms",
    "point",
    "port",
    "progress",
    "settle",
    "tap",
    "tap_point",
]

ROWS, COLUMNS = 40, 60


def progress(**changes: Any) -> dict[str, Any]:
    """Return a progress message."""
    return {
        "station": "bench", "survey": "s-1", "time": "2030-01-01T10:00:00Z", "percent": 12.34,
        "measured": 296, "required": 2400, "open_gaps": 3, "line": 4, "line_now": None, "scan": 10.0, "index": 4.0,
        "speed": 80.0, "speed_limit": 200.0, "too_fast": False, "slips": 0, "slipped_at": None,
        "rate": 300.0, "seconds_left": 83.0, "readings": 900, "unplaced": 0, "outside": 0,
        "minimum": 7.25, "minimum_scan": 20.0, "minimum_index": 3.0, "suspect": 0,
        "check_due": None, "check_overdue": False, **changes,
    }  # fmt: skip


def gap(number: int, scan: tuple[float, float], index: tuple[float, float], **changes: Any) -> Any:
    """Return a gap message."""
    cause, cells = changes.get("cause", "no signal"), changes.get("cells", 4)
    return {
        "causes": {cause: cells}, "number": number, "status": "open", "cause": "no signal", "cells": 4, "area": 4.0,
        "scan": {"from": scan[0], "to": scan[1]}, "index": {"from": index[0], "to": index[1]},
        "opened": "2030-01-01T10:00:00Z", "closed": None, "end": None, **changes,
    }  # fmt: skip


def port(device: str, **changes: Any) -> dict[str, Any]:
    """Return a port message."""
    return {
        "device": device, "state": "open", "detail": "", "bytes": 1234, "readings": 9,
        "positions": 9, "glitches": 0, "missing": 0, "faults": {}, "stalls": 0, **changes,
    }  # fmt: skip


def alarm(number: int, kind: str, detail: str, **changes: Any) -> dict[str, Any]:
    """Return an alarm message."""
    return {
        "number": number, "kind": kind, "status": "raised", "detail": detail, "device": "",
        "scan": None, "index": None, "since": "2030-01-01T10:00:00Z", "until": None,
        "acknowledged_by": "", "acknowledged": None, **changes,
    }  # fmt: skip


def play(source: PlayedSource) -> None:
    """Play a survey that is under way."""
    state = source.grid.state.reshape(ROWS, COLUMNS)
    state[10:14, 20:30] = CellState.EXCLUDED
    source.measure(np.arange(5 * COLUMNS), 14.0)
    source.measure(np.array([3 * COLUMNS + 20]), 7.25)
    state[2, 30:34] = CellState.NO_SIGNAL
    source.at = (10.0, 4.0)
    source.say("state", state="scanning", reason="", time="2030-01-01T10:00:00Z")
    source.say("progress", **progress())
    source.say("gap/1", **gap(1, (29.5, 33.5), (1.5, 2.5)))
    source.say("gap/2", **gap(2, (9.5, 10.5), (3.5, 4.5), cause="too fast", cells=1))
    source.say("gap/3", **gap(3, (11.5, 12.5), (3.5, 4.5), cause="too fast", cells=1))
    source.say("port/encoder", **port("encoder"))
    source.say("port/gauge", **port("gauge", state="lost", detail="gone", faults={"checksum": 3}))
    step = {"thickness": 10.0, "measured": 10.02, "deviation": 0.02, "spread": 0.01, "readings": 9}
    check = {"phase": "before", "by": "crew", "block": "B-1", "ended": "2030-01-01T09:00:00Z",
             "tolerance": 0.1, "steps": [step], "passed": True, "suspects": 0, "overridden_by": "",
             "overridden_because": ""}  # fmt: skip
    source.say("check/1", number=1, **check)


def play_alarms(source: PlayedSource) -> None:
    """Play alarms of all sorts: new ones, one that is over, one that somebody has seen."""
    here = {"scan": {"from": 18.0, "to": 22.0}, "index": {"from": 2.0, "to": 4.0}}
    seen = {"acknowledged_by": "A. Kern", "acknowledged": "2030-01-01T10:02:00Z"}
    over = {"status": "over", "until": "2030-01-01T10:01:00Z"}
    source.say("alarm/1", **alarm(1, "below alert", "7.25 mm, below 8 mm", **here))
    source.say("alarm/2", **alarm(2, "gaps open", "3 open"))
    source.say("alarm/3", **alarm(3, "check overdue", "check the calibration", **seen))
    source.say("alarm/4", **alarm(4, "too fast", "go slower than 200 mm/s", **over))
    source.say("alarm/5", **alarm(5, "port lost", "lost: gone", device="gauge"))


def settle(browser: Browser) -> None:
    """Wait until the map is drawn."""
    script = "return document.getElementById('map').dataset.settled"
    browser.wait(lambda: browser.run(script) == "true", 20, "the map")
    browser.wait(lambda: browser.text("#percent") != "–", 20, "the figures")


def point(browser: Browser, scan: float, index: float) -> tuple[float, float]:
    """Return the canvas pixel of a position."""
    left, top, across, down, x, y = map(
        float, browser.run("return document.getElementById('map').dataset.view").split()
    )
    return (scan - left) * across - x, (index - top) * down - y


def tap(browser: Browser, scan: float, index: float) -> None:
    """Tap a place on the map."""
    tap_point(browser, *point(browser, scan, index))


def tap_point(browser: Browser, x: float, y: float) -> None:
    """Tap a pixel of the canvas."""
    canvas = browser.find("#map")
    browser.run("arguments[0].scrollIntoView({block: 'center'})", canvas)
    width, height = canvas.size["width"], canvas.size["height"]
    actions = ActionChains(browser.driver, duration=20)
    actions.move_to_element_with_offset(canvas, round(x - width / 2), round(y - height / 2))
    actions.click().perform()
