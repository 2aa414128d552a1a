"""Reference echoes, and the checks that they give."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind
from swathe.pipeline.checks.sensitivity import SensitivityCheck, reference_echo
from swathe.pipeline.placing.newest_readings import NewestReadings
from swathe.pipeline.setup_history import SetupHistory
from swathe.reading_flags import ReadingFlag
from swathe_drivers.records import READING

DETAIL: dict[str, Any] = {
    "by": "A. Kern",
    "measured": 71.0,
    "reference": 80.0,
    "tolerance": 2.0,
    "spread": 0.4,
    "readings": 20,
    "block": "B-7",
    "step": 10.0,
}


def newest(heights: list[float], *, invalid: tuple[int, ...] = ()) -> NewestReadings:
    """Return readings of these heights, one each millisecond."""
    readings = np.zeros(len(heights), READING)
    readings["amplitude"] = heights
    readings["valid"] = True
    readings["valid"][list(invalid)] = False
    found = NewestReadings()
    found.take(readings, np.arange(len(heights)) * 1_000_000, None)
    return found


def test_steady_echo() -> None:
    """Twenty readings that agree give their mean height and their spread in dB."""
    echo = reference_echo(newest([70.0, 72.0] * 10), since=0, spread=0.5)
    assert (echo.height, echo.readings) == (71.0, 20)
    assert echo.spread == pytest.approx(20 * math.log10(72 / 70))


@pytest.mark.parametrize(
    ("heights", "invalid", "since", "reason"),
    [
        ([70.0] * 19, (), 0, "19 of 20 readings are in"),
        ([70.0] * 30, (), 20_000_000, "10 of 20 readings are in"),
        ([math.nan] * 20, (), 0, "the instrument sends no amplitude"),
        ([70.0] * 20, (3, 4), 0, "2 of 20 readings have no echo"),
        ([0.0, *[70.0] * 19], (), 0, "1 of 20 readings have no echo"),
        ([math.nan, *[70.0] * 19], (), 0, "1 of 20 readings have no echo"),
        ([100.0, *[99.0] * 19], (), 0, "may be clipped: lower the gain"),
        ([60.0, *[70.0] * 19], (), 0, "differ by 1.3 dB, more than 0.5 dB"),
    ],
)
def test_no_echo_that_counts(
    heights: list[float], invalid: tuple[int, ...], since: int, reason: str
) -> None:
    """Too few, unsteady, clipped or absent echoes are no reference echo."""
    with pytest.raises(SwatheError, match=reason):
        reference_echo(newest(heights, invalid=invalid), since=since, spread=0.5)


def test_clipped_readings_do_not_count() -> None:
    """A reading whose echo the converter clipped is refused, whatever its height behind a band-pass."""
    clipped = newest([70.0] * 20)
    clipped.readings["flags"][7] = ReadingFlag.CLIPPED | ReadingFlag.AMBIGUOUS
    with pytest.raises(SwatheError, match="may be clipped"):
        reference_echo(clipped, since=0, spread=0.5)


@pytest.mark.parametrize(
    ("measured", "deviation", "passed"),
    [
        (80.0, 0.0, True),
        (71.0, -1.0366, True),  # 20 log10(71 / 80)
        (63.0, -2.0750, False),
        (100.0, 1.9382, True),
        (80 * 10**0.1, 2.0, True),  # exactly the tolerance: 2 dB is a factor of 10 ** (2 / 20)
        (80 * 10**-0.1, -2.0, True),
        (80 * 10**0.1 * 1.001, 2.0087, False),
    ],
)
def test_verdict(measured: float, deviation: float, passed: bool) -> None:
    """A check passes within its tolerance, on both sides, its ends included."""
    check = SensitivityCheck.from_detail(DETAIL | {"measured": measured}, 7)
    assert check.deviation == pytest.approx(deviation, abs=1e-4)
    assert check.passed is passed
    assert (check.time, check.before_run) == (7, False)


def test_history_of_marks() -> None:
    """Checks and changed gates are kept in their order, those of the set-up view with their time."""
    history = SetupHistory()
    history.take(Mark(0, MarkKind.SENSITIVITY, DETAIL), 100)
    changed = {
        "by": "B",
        "changes": ["echo.gate[0].start (A): 1 us -> 2 us"],
        "made": 40,
        "id": "x",
    }
    history.take(Mark(0, MarkKind.GATES_CHANGED, changed), 101)
    history.take(Mark(0, MarkKind.SENSITIVITY, DETAIL | {"made": 50, "id": "y", "step": None}), 102)
    assert [(one.time, one.before_run, one.step) for one in history.checks] == [
        (100, False, 10.0),
        (50, True, None),
    ]
    (gates,) = history.gates
    assert (gates.time, gates.by) == (40, "B")
    assert gates.changes == ("echo.gate[0].start (A): 1 us -> 2 us",)
    assert history.entries == {"x", "y"}
