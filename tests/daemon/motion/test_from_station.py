"""What a station file says of its carriage, as a motion takes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.motion_model import with_probes
from support.crawl import crawl_station
from swathe.errors import StationError
from swathe.motion import MotionError, carriage_of, raster_settings_of, work_area_of
from swathe.station import Station, parse_station

TEXT = crawl_station(Path("p"))
STATION = parse_station(TEXT, "x")


def test_station_without_entries_has_one_probe_at_the_datum() -> None:
    """Its zones and its travel are those of the probe."""
    over = work_area_of(STATION)
    assert over.carriage.is_single
    assert over.zones.footprint == (0.0, 0.0, 0.0, 0.0)
    assert (over.limits.scan.low, over.limits.scan.high) == (-62, 462)


def test_zones_keep_all_of_the_carriage_out() -> None:
    """Probes and body: the lug from 312 mm to 358 mm is met by what is ahead of and behind the datum."""
    station = with_probes(STATION, (10.0, 0.0), (-20.0, 8.0), body={"scan": ("-30 mm", "5 mm")})
    over = work_area_of(station, dead={1})
    assert over.carriage.box == (-30.0, 10.0, 0.0, 8.0)
    assert [probe.number for probe in over.carriage.live] == [0]
    for scan, meets in ((301.9, False), (302.1, True), (387.9, True), (388.1, False)):
        assert (over.zones.met_by((scan, 16.0), (scan, 16.0)) is not None) is meets
    for index, meets in ((-2.1, False), (-1.9, True), (25.9, True), (26.1, False)):
        assert (over.zones.met_by((330.0, index), (330.0, index)) is not None) is meets


def test_datum_stays_so_far_within_the_edges_that_the_carriage_does() -> None:
    """The travel of the machine is cut by what reaches beyond the datum."""
    within = {"scan": ("-40 mm", "430 mm"), "index": ("-2 mm", "200 mm")}
    station = with_probes(STATION, (10.0, -4.0), (-20.0, 8.0), within=within)
    limits = work_area_of(station).limits
    assert (limits.scan.low, limits.scan.high) == (-20.0, 420.0)
    assert (limits.index.low, limits.index.high) == (2.0, 90.0)
    narrow = with_probes(STATION, (0.0, 0.0), (0.0, 50.0), within={"index": ("0 mm", "40 mm")})
    with pytest.raises(MotionError, match=r"50 mm long on the index axis.*carriage\.within\.index"):
        work_area_of(narrow)


def changed(plan: str) -> Station:
    """Return the station with further keys of its plan."""
    return parse_station(TEXT.replace("reading_rate = 60", f"reading_rate = 60\n{plan}"), "x")


@pytest.mark.parametrize(
    ("plan", "share"),
    [
        ("", 0.4),
        ('footprint = "8 mm"', 0.1),  # a row wide: nothing to spare
        ('footprint = "12 mm"', 0.25),  # two lines 12 mm apart at most, each off by 2 mm
        ('footprint = "40 mm"', 0.4),
        ('footprint = "5 mm"', 0.125),  # two lines a row, 4 mm apart
    ],
)
def test_probe_passes_so_near_to_the_middle_of_its_row_as_the_footprint_asks(
    plan: str, share: float
) -> None:
    """Two lines, one too low and one too high, leave no strip between them uninspected."""
    assert raster_settings_of(changed(plan)).off_centre == pytest.approx(share)


def test_overlap_needs_several_probes() -> None:
    """One probe has no width that two passes could have in common."""
    with pytest.raises(StationError, match=r"motion\.plan\.pass_overlap' must be at most the 0 mm"):
        changed('pass_overlap = "8 mm"')


def test_carriage_of_a_station_is_what_moves() -> None:
    """The numbers are those of the survey, and the offsets those of the file."""
    probes = carriage_of(with_probes(STATION, (1.0, 2.0), (3.0, 4.0))).probes
    assert [(one.number, one.scan, one.index) for one in probes] == [(0, 1.0, 2.0), (1, 3.0, 4.0)]
