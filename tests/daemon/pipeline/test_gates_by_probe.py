"""Gates and limits of thickness that single probes have of their own."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from daemon.handmade import MS, START, station
from daemon.pipeline.test_ascans import STATION, waveform
from daemon.pipeline.test_probes import states, surveyed, text_of
from daemon.strategies import readings
from swathe.errors import StationError
from swathe.page.readings import cell_reading
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.placing.device_links import links_of
from swathe.pipeline.spurious.limits import flag_impossible, limits_by_probe
from swathe.reading_flags import ReadingFlag
from swathe.station import (
    Station,
    changes_between,
    gauge_of,
    parse_station,
    station_of_probe,
)
from swathe.station.describe import summarize_station

# Both echoes of an A-scan are in it: at 3.0 µs, which [echo] measures, and at 5.0 µs.
SENDS_INPUT = 'fields = [\n  { is = "probe", type = "u1", inputs = [1, 2] },'
PROBES = """
[[probe]]
name = "thin"
input = 1
[[probe]]
name = "thick"
input = 2
scan = "10 mm"
"""
OWN_GATES = """
[probe.echo]
time_of_flight = "deep wall"
rectified = true
saturation = "95 %"
[[probe.echo.gate]]
name = "deep wall"
start = "{start}"
width = "2 us"
threshold = "30 %"
measure = "peak"
"""


def of_two_inputs(text: str) -> str:
    """Return a station file whose instrument sends the number of an input before each A-scan."""
    return text.replace("fields = [", SENDS_INPUT).replace("length = 61", "length = 62")


def ascans(own: str) -> str:
    """Return a station file of an instrument with two inputs, of which the second has `own` keys."""
    return of_two_inputs(STATION) + PROBES + own


def both() -> bytes:
    """Return samples with an echo at 3.0 µs and another one at 5.0 µs."""
    first, other = (np.frombuffer(waveform(at, 70), np.uint8) for at in (20, 40))
    return (first + (other - np.uint8(20))).tobytes()


def times_of_flight(text: str) -> dict[int, list[float]]:
    """Return what the link of the instrument measures on five A-scans of each input, µs."""
    link = links_of(parse_station(text, "strip.toml"), {}, {})["instrument"]
    for number in range(5):
        data = b"".join(b"\x55" + bytes([one]) + both() for one in (1, 2))
        link.take(data, START + number * 10 * MS)
    batch = link.decode(flush=True)
    assert batch is not None
    found = batch.readings
    assert found["valid"].all()
    return {one: found["time_of_flight"][found["probe"] == one].round(3).tolist() for one in (1, 2)}


def test_each_input_is_measured_with_the_gates_of_its_probe() -> None:
    """The one without its own by [echo]; where each has its own, [echo] is not needed."""
    own = OWN_GATES.format(start="4.2 us")
    assert times_of_flight(ascans(own)) == {1: [3.0] * 5, 2: [5.0] * 5}
    assert times_of_flight(ascans("")) == {1: [3.0] * 5, 2: [3.0] * 5}
    without = re.sub(r"\[echo\].*?(?=\[device)", "", STATION, flags=re.DOTALL)
    assert "echo" not in without
    entries = PROBES.replace(
        '[[probe]]\nname = "thick', OWN_GATES.format(start="1.5 us") + '[[probe]]\nname = "thick'
    )
    without = of_two_inputs(without) + entries + own
    assert times_of_flight(without) == {1: [3.0] * 5, 2: [5.0] * 5}


def test_a_cell_shows_the_gates_of_the_probe_that_read_it() -> None:
    """Not those of the station, whose time of flight is another one."""
    settings = parse_station(ascans(OWN_GATES.format(start="4.2 us")), "strip.toml")
    grid = Pipeline(settings).grid
    assert grid.waveform is not None
    grid.waveform[:2] = np.frombuffer(both(), np.uint8)
    grid.hits[:2], grid.probe[:2] = 1, (0, 1)
    source = cast("Any", SimpleNamespace(grid=grid, station=settings))
    shown = [cell_reading(source, 0, column)["waveform"] for column in (0, 1)]
    assert [gate["name"] for one in shown for gate in one["gates"]] == ["back wall", "deep wall"]


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        (
            OWN_GATES.format(start="90 us"),
            "'probe[1].echo.gate[0]",
        ),
        ('thickness_limits = ["9 mm", "3 mm"]\n', "'probe[1].thickness_limits' must rise from 0"),
        ('range_margin = "1 mm"\n', "'probe[1].range_margin' needs a calibration record"),
        ('thickness_limits = ["-1 mm", "3 mm"]\n', "'probe[1].thickness_limits' must rise from 0"),
    ],
)
def test_what_is_wrong_with_limits_and_gates_names_the_entry(own: str, problem: str) -> None:
    """Of the probe, not of the survey."""
    with pytest.raises(StationError) as caught:
        parse_station(ascans(own), "strip.toml")
    assert problem in str(caught.value)


def test_gates_of_a_probe_need_a_scans() -> None:
    """A device that sends times of flight has none to put them on."""
    text = text_of({"gauge": (0.0, 0.0), "second": (0.0, 3.0)}) + OWN_GATES.format(start="1 us")
    with pytest.raises(
        StationError, match=r"'probe\[1\].echo' needs A-scans, and 'second' sends none"
    ):
        parse_station(text, "bench.toml")


LIMITS = 'thickness_limits = ["3 mm", "9 mm"]\n'
TWO = {"gauge": (0.0, 0.0), "second": (0.0, 3.0)}


def limited() -> Station:
    """Return a station whose second probe reads 3 to 9 mm only."""
    return station(text_of(TWO) + LIMITS)


def test_readings_beyond_a_probes_own_limits_are_no_echo_of_that_probe() -> None:
    """The ends are possible; the other one has those of the survey, a number of no probe none."""
    limits = limits_by_probe(limited())
    made = readings(range(7), [2.9, 3.0, 9.0, 9.1, 9.1, 2.9, 1e9])
    made["probe"] = [1, 1, 1, 1, 0, 0, 255]
    assert flag_impossible(made, limits) == 2
    assert made["valid"].tolist() == [False, True, True, False, True, True, True]
    assert (made["flags"] == ReadingFlag.IMPOSSIBLE).tolist() == [
        True,
        *[False] * 2,
        True,
        *[False] * 3,
    ]


def test_survey_has_no_echo_where_the_probe_cannot_read() -> None:
    """From bytes to cells: both read 10 mm, which the second one's limits exclude."""
    across = [(-8.0, 2.0), (28.0, 2.0)]
    pipeline = surveyed(TWO, across, lambda *_: 10.0, more=LIMITS)
    assert (states(pipeline)[2] == CellState.MEASURED).all()
    assert (states(pipeline)[5] == CellState.NO_SIGNAL).all()
    assert pipeline.progress().impossible > 20


def test_check_lists_what_a_probe_has_of_its_own_and_a_change_is_named() -> None:
    """With its key, and not as one that decides on places."""
    (text,) = [line for line in summarize_station(limited()) if line.startswith("probe second: ")]
    assert text.endswith("; reads from 3 mm to 9 mm")
    before = parse_station(ascans(OWN_GATES.format(start="4.2 us")), "x")
    (text,) = [line for line in summarize_station(before) if line.startswith("probe thick: ")]
    assert text.endswith("; gates of its own: deep wall")
    now = parse_station(ascans(OWN_GATES.format(start="4.3 us")), "x")
    (change,) = changes_between(before, now)
    assert str(change) == "probe[2].echo.gate[1].start was 4.2 and is 4.3"
    assert not change.decisive
    (change,) = changes_between(station(text_of(TWO)), limited())
    assert (change.key, change.now, change.decisive) == (
        "probe[2].thickness_limits",
        "[3.0, 9.0]",
        False,
    )


def test_station_of_a_probe_has_its_device_first() -> None:
    """So that its calibration is compared with what that device sends; its limits are the survey's."""
    of_second = station_of_probe(limited(), 1)
    assert gauge_of(of_second) == "second"
    assert of_second.survey.thickness_limits == (3.0, 9.0)
    assert list(of_second.device) == ["second", *[n for n in limited().device if n != "second"]]
    assert station_of_probe(limited(), 0).survey.thickness_limits is None
