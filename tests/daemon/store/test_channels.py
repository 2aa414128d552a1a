"""Further numbers of a device, from its bytes to layers of the arrays, the record and the report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import zarr

from daemon.handmade import MS, START, Motion, ended, line, opened, station_text
from daemon.surveys import assert_same, write_survey
from swathe.journal import Chunk, Entry
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.channel_tally import channels_by_name
from swathe.report import survey_lines
from swathe.station import parse_station
from swathe.store import (
    COORDINATES,
    LAYERS,
    record_of,
    replay,
    write_derived,
)
from swathe_drivers import READING, Batch, ChannelFormat
from swathe_drivers.columns import LAYER_NAMES

CHANNELS = """  {is="channel", name="temperature", unit="degC", absent=["--"]},
  {is="channel", name="battery", unit="%"},
"""
PLAIN = station_text(scan_length=14)
TEXT = PLAIN.replace('  {is="status"', CHANNELS + '  {is="status"')
WALL = Motion(
    place=lambda ms: (ms / 100,), wall=lambda ms: "N" if ms < 200 else 10.0, first=0, last=1400
)


def _temperature(ms: int) -> float | None:
    return None if ms >= 1000 else 20 + ms / 100


def _with_channels(entries: Iterator[Entry]) -> Iterator[Entry]:
    """Yield entries in which each line of the gauge has its channels."""
    for entry in entries:
        if isinstance(entry, Chunk) and entry.port == "gauge":
            head, ms, tof, state = entry.data.split(b"*")[0].decode().split(",")
            degrees = _temperature(int(ms))
            sent = "--" if degrees is None else f"{degrees:.2f}"
            yield entry._replace(
                data=line(f"{head},{ms},{tof},{sent},{90 - int(ms) // 100},{state}")
            )
        else:
            yield entry


RUN = (opened(TEXT), *_with_channels(WALL.entries()), ended(START + 1500 * MS))


def test_channels_are_layers_record_and_report(tmp_path: Path) -> None:
    """A cell has those of its reading; entry by entry gives what a rebuild gives; none is invented."""
    folder = write_survey(tmp_path / "one", [RUN])
    rebuilt = replay(folder)
    live = Pipeline(parse_station(TEXT, "bench.toml"))
    for entry in RUN:
        live.feed(entry)
    assert_same(live, rebuilt)
    write_derived(folder, rebuilt)
    group = zarr.open_group(folder.zarr, mode="r")
    degrees, battery = (np.asarray(group[name])[0] for name in ("temperature", "battery"))
    assert group["temperature"].attrs["units"] == "degC"
    thickness = np.asarray(group["thickness"])[0]
    assert np.isnan([thickness[0], degrees[0], battery[0]]).all()
    # Of equal readings the first one counts: in cell k that is the first behind k - 0.5 mm.
    for cell in range(3, 14):
        first = 100 * cell - 45
        want = _temperature(first)
        assert np.isnan(degrees[cell]) if want is None else degrees[cell] == np.float32(want)
        assert battery[cell] == 90 - first // 100
    (port,) = (port for port in record_of(rebuilt).ports if port.device == "gauge")
    assert [channel.model_dump() for channel in port.channels] == [
        {"name": "temperature", "unit": "degC", "readings": 200, "minimum": 20.0, "maximum": 29.95}
        | {"newest": 29.95},
        {"name": "battery", "unit": "%", "readings": 281, "minimum": 76.0, "maximum": 90.0}
        | {"newest": 76.0},
    ]
    report = survey_lines(record_of(rebuilt))
    assert "gauge: temperature 20.000 to 29.950 degC, newest 29.950 in 200 readings" in report


def test_run_with_another_description_has_no_value(tmp_path: Path) -> None:
    """A run whose lines had no channel: its cells have none, those of the other run have theirs."""
    later = 1_000_000 * MS
    plain = [entry._replace(time=entry.time + later) for entry in WALL.entries()]
    again = (opened(PLAIN, time=START + later), *plain, ended(START + later + 1500 * MS))
    for runs in ((RUN, again), (again, RUN)):
        pipeline = replay(write_survey(tmp_path / str(runs[0] is RUN), runs))
        layer = pipeline.grid.layer("hits", slice(0, 1), slice(0, 15))
        assert layer.sum() > 300


def test_channel_is_called_like_no_other_array() -> None:
    """The drivers know the names of the daemon's arrays."""
    assert {*LAYERS, *COORDINATES, "waveform"} == LAYER_NAMES


def test_channels_of_another_run_are_those_of_the_same_name() -> None:
    """In the order of the survey's layers; what was not sent is not a number."""
    sent = (ChannelFormat("gain", "dB"), ChannelFormat("battery", "%"))
    batch = Batch(readings=np.zeros(2, READING), channels=np.array([[1.0, 2.0], [3.0, 4.0]]))
    found = channels_by_name(sent, batch, ("battery", "temperature"))
    np.testing.assert_array_equal(found, [[2.0, np.nan], [4.0, np.nan]])
    assert channels_by_name(sent, batch, ()) is None
