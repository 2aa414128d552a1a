"""What a discard would be about: cells, readings, lines and extent."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from support.page import PlayedSource, ServedPage
from swathe.messages import moment

ROWS, COLUMNS = 8, 20
SECOND = 1_000_000_000
NOW = 10**18


@pytest.fixture
def served() -> Iterator[ServedPage]:
    """Return a page of a survey whose lines 2 and 3 are read, line 3 ten seconds later."""
    source = PlayedSource(ROWS, COLUMNS)
    source.measure(np.arange(2 * COLUMNS, 3 * COLUMNS))
    source.measure(np.arange(3 * COLUMNS + 5, 3 * COLUMNS + 15))
    source.grid.hits[2 * COLUMNS : 3 * COLUMNS] = 3
    source.grid.last_time[3 * COLUMNS :] += 10 * SECOND
    with ServedPage(source) as page:
        yield page


def affected(served: ServedPage, query: str) -> Any:
    """Return the answer to a question."""
    status, _, body = served.ask(f"/affected?{query}")
    assert status == 200, body
    return json.loads(body)


def at(seconds: float) -> str:
    """Return a time as the page sends it."""
    return moment(NOW + round(seconds * SECOND)).isoformat().replace("+00:00", "Z")


def test_a_line_has_its_readings(served: ServedPage) -> None:
    """Without a time the readings that count are counted."""
    assert affected(served, "line=2") == {
        "cells": 20, "readings": 60, "lines": [2, 2], "scan": [-0.5, 19.5], "timed": False,
    }  # fmt: skip


def test_stretch_has_the_cells_that_it_touches(served: ServedPage) -> None:
    """A cell partly within the borders holds readings that are meant."""
    found = affected(served, "line=3&low=6.6&high=8.2")
    assert (found["cells"], found["readings"], found["scan"]) == (2, 2, [6.5, 8.5])
    assert affected(served, "low=6.5&high=7.5")["scan"] == [6.5, 8.5]


def test_time_is_that_of_the_newest_reading(served: ServedPage) -> None:
    """Begin is included, end is not; the number of readings is not known."""
    found = affected(served, f"begin={at(10)}")
    assert found == {
        "cells": 10, "readings": None, "lines": [3, 3], "scan": [4.5, 14.5], "timed": True,
    }  # fmt: skip
    assert affected(served, f"begin={at(0)}&end={at(10)}")["lines"] == [2, 2]
    assert affected(served, f"begin={at(0)}&end={at(10.5)}")["lines"] == [2, 3]
    assert affected(served, f"begin={at(11)}")["cells"] == 0


def test_line_that_is_not_there_has_none(served: ServedPage) -> None:
    """Neither readings nor an extent."""
    none = {"cells": 0, "readings": 0, "lines": None, "scan": None, "timed": False}
    assert affected(served, "line=7") == affected(served, "line=700") == none


@pytest.mark.parametrize("query", ["line=x", "low=nan", "begin=2030-01-01T10:00:00", "depth=1"])
def test_question_that_is_none_is_refused(served: ServedPage, query: str) -> None:
    """Names, numbers and times must be right; a time has its zone."""
    status, _, body = served.ask(f"/affected?{query}")
    assert status == 400
    assert query.partition("=")[0] in json.loads(body)["error"]
