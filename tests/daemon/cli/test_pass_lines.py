"""What `plan` prints of the passes of several probes."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.motion_model import with_probes
from support.crawl import crawl_station
from swathe.cli.arming import plan_lines, planned
from swathe.motion import numbers_text
from swathe.station import parse_station

STATION = parse_station(crawl_station(Path("p")), "x")


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([3], "line 3"),
        ([3, 4], "lines 3 to 4"),
        ([0, 1, 2, 3], "lines 0 to 3"),
        ([0, 4, 8, 12], "lines 0 to 12 in steps of 4"),
        ([0, 4], "lines 0 and 4"),
        ([0, 1, 2, 7, 9, 10], "lines 0 to 2, 7 and 9 to 10"),
    ],
)
def test_numbers_are_written_in_few_words(numbers: list[int], text: str) -> None:
    """Runs, steps and single ones."""
    assert numbers_text(numbers) == text


def test_passes_are_listed_with_their_lines() -> None:
    """Eleven rows of 8 mm by four probes: three passes, and which lines each one scans."""
    station = with_probes(STATION, *[(0.0, 8.0 * k) for k in range(4)])
    lines = plan_lines(station, *planned(station))
    first = "3 passes of 4 probes over 11 lines along scan, serpentine, at 120.0 mm/s"
    assert lines[0] == first or lines[1] == first
    at = lines.index("each pass keeps the heading 0, at which the offsets of the probes are given")
    assert lines[at + 1 : at + 4] == [
        "pass 0 at index 0.0 mm: lines 0 to 3",
        "pass 1 at index 32.0 mm: lines 4 to 7",
        "pass 2 at index 56.0 mm: lines 8 to 10",
    ]
    assert not any("heading" in line for line in plan_lines(STATION, *planned(STATION)))


def test_measured_heading_is_a_caution() -> None:
    """What the carriage keeps clear of is planned for one heading, and nobody drives it."""
    station = with_probes(STATION, (0.0, 0.0), (0.0, 8.0), heading={"device": "encoder"})
    assert any(
        line.startswith("caution: the heading is measured and not driven")
        for line in plan_lines(station, *planned(station))
    )
