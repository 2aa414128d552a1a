"""What differs between the station files of two runs, and which of it decides places and readings."""

from __future__ import annotations

import pytest

from daemon.handmade import INDEX_STEPPED, station, station_text
from daemon.motion_model import with_probes
from swathe.station import Station, changes_between, extends, in_plan_of

TEXT = station_text(index=INDEX_STEPPED.format(length=10, advance="command"))


def changed(old: str, new: str, text: str = TEXT) -> Station:
    """Return the station with a piece of its text replaced."""
    assert old in text
    return station(text.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "key", "before", "now"),
    [
        ("counts_per_mm = 10", "counts_per_mm = 20", "scan.counts_per_mm", "10", "20"),
        (
            "counts_per_mm = 10",
            "counts_per_mm = 10\nzero_count = 5330",
            "scan.zero_count",
            "0",
            "5330",
        ),
        (
            "counts_per_mm = 10",
            "counts_per_mm = 10\nreversed = true",
            "scan.reversed",
            "False",
            "True",
        ),
        ('advance = "command"', 'advance = "return"', "index.advance", "command", "return"),
        (
            'unit="us", min',
            'unit="ns", min',
            "device.gauge.protocol.columns[3].unit",
            "us",
            "ns",
        ),
        (
            'port = "ports/gauge"',
            'port = "ports/gauge"\ntriggered = true',
            "device.gauge.triggered",
            "False",
            "True",
        ),
    ],
)
def test_decisive_keys(old: str, new: str, key: str, before: str, now: str) -> None:
    """What places readings or gives their bytes a meaning is named with both values."""
    (change,) = changes_between(station(TEXT), changed(old, new))
    assert (change.key, change.before, change.now) == (key, before, now)
    assert change.decisive
    assert str(change) == f"{key} was {before} and is {now}"


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('folder = "bench"', 'folder = "bench"\ntarget_coverage = 90', "survey.target_coverage"),
        (
            'folder = "bench"',
            'folder = "bench"\nnominal_thickness = "9 mm"',
            "survey.nominal_thickness",
        ),
        ('velocity = "5920 m/s"', 'velocity = "5900 m/s"', "calibration.velocity"),
        ('port = "ports/gauge"', 'port = "ports/gauge"\ndelay = "3 ms"', "device.gauge.delay"),
        (
            "counts_per_mm = 10",
            "counts_per_mm = 10\nscale_uncertainty = 0.5",
            "scan.scale_uncertainty",
        ),
    ],
)
def test_other_keys_are_listed_only(old: str, new: str, key: str) -> None:
    """What is kept run by run in any case decides nothing without a word."""
    (change,) = changes_between(station(TEXT), changed(old, new))
    assert change.key == key
    assert not change.decisive


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('port = "ports/gauge"', 'port = "ports/other"\nbaud = 9600'),
        ('folder = "bench"', 'folder = "elsewhere"\noperator = "R. Amsel"'),
        ('name = "bench"', 'name = "other"\nunits = "in"'),
    ],
)
def test_ports_names_and_units_of_display_are_no_change(old: str, new: str) -> None:
    """They change no reading and no place."""
    assert changes_between(station(TEXT), changed(old, new)) == []


def test_wheel_and_its_counts_are_the_same() -> None:
    """A wheel of which the same counts per mm follow is no change."""
    text = TEXT.replace("counts_per_mm = 10", 'wheel = {diameter = "50 mm", pulses = 1024}')
    scale = station(text).scan.scale
    assert (
        changes_between(station(text), changed("counts_per_mm = 10", f"counts_per_mm = {scale}"))
        == []
    )


def test_spare_device_decides_nothing() -> None:
    """A device of which neither positions nor readings come is listed only."""
    spare = (
        TEXT
        + '[device.spare]\nport = "ports/spare"\n[device.spare.protocol]\ncolumns = [{is="counts", axis="other"}]\n'
    )
    found = changes_between(station(TEXT), station(spare))
    assert found
    assert not [change for change in found if change.decisive]


@pytest.mark.parametrize(
    ("old", "new", "does"),
    [
        ('length = "20 mm"', 'length = "30 mm"', True),
        ('length = "10 mm"', 'length = "11 mm"', True),
        ('length = "20 mm"', 'length = "19 mm"', False),
        ('length = "20 mm"', 'length = "20 mm"\nstart = "-1 mm"', False),
        ('resolution = "1 mm"\ndevice', 'resolution = "0.5 mm"\ndevice', False),
        ('device = "encoder"\n', 'device = "encoder"\nmode = "wrapped"\n', False),
    ],
)
def test_grid_grows_at_its_far_ends_only(old: str, new: str, does: bool) -> None:
    """The cells of the plan keep their numbers."""
    assert extends(station(TEXT), changed(old, new)) is does


def test_run_is_read_in_the_plan() -> None:
    """A run with a shorter grid and zones of its own has those of the plan."""
    zone = '[[exclude]]\nname = "lug"\nscan = ["3 mm", "5 mm"]\n'
    plan = changed('length = "20 mm"', 'length = "30 mm"')
    run = in_plan_of(plan, station(TEXT + zone))
    assert run.scan_axis == plan.scan_axis
    assert run.index_axis == plan.index_axis
    assert run.exclude == ()
    assert run.survey == station(TEXT).survey


def test_circumference_does_not_grow() -> None:
    """Its first cell is next to its last: another length is another pipe."""
    text = TEXT.replace('device = "encoder"\n', 'device = "encoder"\nmode = "wrapped"\n', 1)
    assert not extends(station(text), changed('length = "20 mm"', 'length = "30 mm"', text))


def test_probes_of_a_carriage_are_compared_and_where_they_are_decides() -> None:
    """Offsets, inputs, delays and the heading place readings; a diameter or a body moves none."""
    before = with_probes(station(TEXT), (0.0, 0.0), (0.0, 8.0))
    moved = with_probes(station(TEXT), (0.0, 0.0), (2.0, 8.0), body={"scan": ("-9 mm", "9 mm")})
    other = before.model_copy(
        update={"probes": (before.probes[0], before.probes[1].model_copy(update={"input": 5}))}
    )
    wide = before.model_copy(
        update={"probes": (before.probes[0].model_copy(update={"diameter": 6.0}), before.probes[1])}
    )
    turns = with_probes(
        station(TEXT), (0.0, 0.0), (0.0, 8.0), heading={"device": "encoder", "zero_count": 12}
    )

    def found(now: Station) -> dict[str, bool]:
        return {one.key: one.decisive for one in changes_between(before, now)}

    assert found(moved) == {
        "probe[2].scan": True,
        "carriage.body.scan": False,
    }
    assert found(other) == {"probe[2].input": True}
    assert found(wide) == {"probe[1].diameter": False}
    heading = found(turns)
    assert heading["carriage.heading.zero_count"]
    assert all(heading.values())
    assert found(before) == {}
