"""What each of several probes reads now, and where it is: never what another one read."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import MS, START, VELOCITY, feed, line, opened, port, station
from daemon.pipeline.test_probes import TWO, text_of
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.newest_readings import NEVER_ARRIVED, NewestReadings
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot, ProbeState
from swathe_drivers.records import READING

TURNED = '\n[carriage.heading]\ndevice = "heading"\n[device.heading]\nport = "ports/heading"\n[device.heading.protocol]\ncolumns = [{is="device_time", unit="ms"}, {is="counts", axis="heading"}]\n'


def of_inputs(*inputs: int) -> np.ndarray:
    """Return readings of these inputs, one after the other, each with its number as amplitude."""
    readings = np.zeros(len(inputs), READING)
    readings["probe"], readings["amplitude"] = inputs, np.arange(len(inputs))
    return readings


def test_newest_reading_of_each_input_is_kept_whatever_others_send() -> None:
    """Of a batch the last one of an input; an input that sends nothing has none."""
    newest = NewestReadings()
    newest.take(of_inputs(2, 5, 2), np.array([10, 20, 30]), None)
    newest.take(of_inputs(5), np.array([40]), None)
    reading, known = newest.of_input(2)
    assert (float(reading["amplitude"]), known) == (2.0, 30)
    assert newest.of_input(5)[1] == 40
    assert newest.of_input(None)[1] == 40
    for missing in (0, 4, 9):
        assert newest.of_input(missing)[1] == NEVER_ARRIVED
    assert NewestReadings().of_input(None)[1] == NEVER_ARRIVED


def reading(ms: int, name: str, value: float | None, sent: int | None = None) -> Chunk:
    """Return a reading of a wall in mm; None is one without an echo."""
    flight = 0.0 if value is None else 2 * value / VELOCITY
    text = f"R,{ms if sent is None else sent},{flight:.6f},{'N' if value is None else 'E'}"
    return Chunk(START + ms * MS, name, line(text))


def probes_after(entries: list[Entry], until_ms: int, more: str = "") -> tuple[ProbeSnapshot, ...]:
    """Return what is published of two probes; the encoder sends its place each 10 ms."""
    text = text_of(TWO, more=more)
    text = text.replace("[survey]\n", '[survey]\nthickness_limits = ["1 mm", "20 mm"]\n')
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))
    devices = ["encoder", "gauge", "second"] + (["heading"] if more else [])
    feed(pipeline, [port(0, name, "open") for name in devices])
    counts = [
        Chunk(START + ms * MS, "encoder", line(f"P,{ms},{10 * 7},{10 * 2}"))
        for ms in range(10, until_ms, 10)
    ]
    ticks = [Tick(START + ms * MS) for ms in range(50, until_ms + 1, 50)]
    feed(pipeline, sorted([*entries, *counts, *ticks], key=lambda entry: entry.time))
    return pipeline.progress().probes


def test_each_probe_has_its_own_reading_time_and_place() -> None:
    """The one that came last is of its probe only; a reading without an echo has no thickness."""
    entries: list[Entry] = [reading(ms, "gauge", 9.0) for ms in range(20, 400, 20)]
    entries += [reading(ms + 5, "second", 11.5) for ms in range(20, 300, 20)]
    entries += [reading(ms + 5, "second", None) for ms in range(300, 400, 20)]
    first, second = probes_after(entries, 400)
    assert first.thickness == pytest.approx(9.0, abs=2e-3)
    assert (first.has_echo, second.has_echo) == (True, False)
    assert second.thickness is None
    assert second.state is ProbeState.ECHO  # the last echo was 120 ms ago
    assert first.last_reading is not None
    assert second.last_reading is not None
    assert (second.last_reading - first.last_reading).total_seconds() == pytest.approx(0.005)
    assert (first.scan, first.index) == (7.0, 2.0)
    assert (second.scan, second.index) == (7.0, 5.0)


def test_an_old_reading_is_none_of_now() -> None:
    """Its time stays, its value does not: nobody knows what the probe would read."""
    entries: list[Entry] = [reading(ms, "gauge", 9.0) for ms in range(20, 2000, 20)]
    entries += [reading(ms, "second", 11.5) for ms in range(20, 600, 20)]
    _, second = probes_after(entries, 2000)
    assert second.state is ProbeState.NO_READINGS
    assert (second.thickness, second.amplitude) == (None, None)
    assert second.last_reading is not None


def test_a_reading_beyond_the_limits_of_thickness_is_no_echo() -> None:
    """As for the cells: a value that no wall can have is not shown as one."""
    entries: list[Entry] = [reading(ms, "gauge", 9.0) for ms in range(20, 400, 20)]
    entries += [reading(ms, "second", 21.0) for ms in range(20, 400, 20)]
    _, second = probes_after(entries, 400)
    assert (second.has_echo, second.thickness, second.state) == (False, None, ProbeState.NO_ECHO)


@pytest.mark.parametrize(("degrees", "place"), [(90, (4.0, 2.0)), (None, (None, None))])
def test_places_turn_with_the_carriage(
    degrees: int | None, place: tuple[float | None, float | None]
) -> None:
    """While the heading is not known, nobody knows where the probes are."""
    entries: list[Entry] = [reading(ms, "gauge", 9.0) for ms in range(20, 400, 20)]
    if degrees is not None:
        entries += [
            Chunk(START + ms * MS, "heading", f"{ms},{degrees}\r\n".encode())
            for ms in range(20, 400, 20)
        ]
    _, second = probes_after(entries, 400, more=TURNED)
    assert (second.scan, second.index) == pytest.approx(place)
