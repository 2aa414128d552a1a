"""How far from their true positions readings may be, in a survey's record, report and arrays."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
import zarr

from daemon.handmade import Motion, run, station_text
from support.world.devices import Time
from support.world.judge import PlacedReadings, errors_of
from support.world.worlds import Scene, make_world, standard_scene
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.delays_in_force import MeasuredDelay, delay_uncertainty
from swathe.report.summary import survey_lines
from swathe.station import Station, parse_station
from swathe.store import SurveyFolder, record_of, write_derived
from swathe.store.quality import PlaceSummary

GAUGE, ENCODER, SCAN = 'port = "ports/gauge"', 'port = "ports/encoder"', "counts_per_mm = 10"


def text_with(gauge: str = "", encoder: str = "", scan: str = "") -> str:
    """Return a station file with lines added to its tables."""
    text = station_text()
    for key, lines in ((GAUGE, gauge), (ENCODER, encoder), (SCAN, scan)):
        text = text.replace(key, f"{key}\n{lines}")
    return text


def scanned(text: str) -> Pipeline:
    """Return a survey of a line at 100 mm/s."""
    motion = Motion(place=lambda ms: (ms / 10,), wall=lambda _: 9.0, first=0, last=200)
    return run(text, motion.entries())


def place_of(pipeline: Pipeline) -> PlaceSummary:
    """Return the uncertainty of a survey's places."""
    place = record_of(pipeline).place
    assert place is not None
    return place


def share(place: PlaceSummary, name: str) -> float | None:
    """Return a component, mm."""
    return {one.name: one.standard_mm for one in place.components}[name]


def test_unknown_delay_and_scale_are_named() -> None:
    """Nothing is invented: what has no uncertainty is listed as not covered."""
    place = place_of(scanned(text_with()))
    assert place.not_stated == ("delay", "encoder scale")
    assert share(place, "delay") is None
    assert share(place, "count") == pytest.approx(0.1 / 12**0.5, abs=1e-4)


def test_stated_delay_and_scale_count() -> None:
    """The delays' uncertainties count by the speed, that of the scale by the distance."""
    delay = 'delay = "0 ms"\ndelay_uncertainty = "{} ms"'
    text = text_with(delay.format(3), delay.format(4), 'scale_uncertainty = "1 %"')
    place = place_of(scanned(text))
    assert place.not_stated == ()
    assert share(place, "delay") == pytest.approx(100 * 0.005, rel=5e-3)
    # From 0 to 20 mm evenly: the root mean square is 20 / sqrt(3).
    assert share(place, "encoder scale") == pytest.approx(0.01 * 20 / 3**0.5, rel=0.03)
    assert place.expanded_mm > 1.9 * 0.5


def stations(delay: str) -> Station:
    """Return a station whose gauge has this delay."""
    return parse_station(text_with(delay, 'delay = "1 ms"'), "bench.toml")


def test_measured_delay_has_the_width_of_its_interval() -> None:
    """A 95 % interval from 3 to 7 ms has a standard uncertainty of 1.02 ms; before, none is known."""
    station = stations('delay = "auto"')
    assert delay_uncertainty(station, {}).value is None
    found = MeasuredDelay(delay=5_000_000, low=3_000_000, high=7_000_000, pairs=9)
    value = delay_uncertainty(station, {"gauge": found}).value
    assert value == pytest.approx(2e6 / 1.959964, rel=1e-6)


def test_given_delay_without_uncertainty_is_not_stated() -> None:
    """A delay that is given is not therefore exact."""
    stated = delay_uncertainty(stations('delay = "5 ms"'), {})
    assert stated.value is None
    assert stated.basis == "not stated: delay_uncertainty is not given"


@pytest.mark.parametrize(
    ("columns", "stated"),
    [
        ('columns = [{is="counts", axis="scan"}, {is="thickness", unit="mm"}]', True),
        (
            'record = [{columns=[{is="constant", text="P"}, {is="counts", axis="scan"}]},'
            ' {columns=[{is="constant", text="T"}, {is="thickness", unit="mm"}]}]',
            False,
        ),
    ],
)
def test_device_that_sends_position_and_reading_apart_has_an_unknown_delay(
    columns: str, stated: bool
) -> None:
    """In one record they are of one moment; in two, nothing says so."""
    text = (
        'name = "bench"\n[survey]\nfolder = "survey"\n[scan]\nlength = "20 mm"\n'
        'resolution = "1 mm"\ndevice = "probe"\ncounts_per_mm = 10\n'
        f'[device.probe]\nport = "ports/probe"\n[device.probe.protocol]\n{columns}\n'
    )
    found = delay_uncertainty(parse_station(text, "bench.toml"), {})
    assert (found.value == 0.0) is stated
    assert (found.basis == "unknown: the device sends position and reading apart") is not stated


def test_report_has_the_place() -> None:
    """The report gives the interval and what it does not cover."""
    lines = survey_lines(record_of(scanned(text_with())))
    place = next(line for line in lines if line.startswith("place along"))
    assert "95%" in place
    assert any("without what is not stated: delay, encoder scale" in line for line in lines)


def test_arrays_have_the_place(tmp_path: Path) -> None:
    """The attributes of the group have the record's numbers, consolidated."""
    pipeline = scanned(text_with())
    folder = SurveyFolder(tmp_path / "survey")
    folder.zarr.parent.mkdir(parents=True, exist_ok=True)
    record = write_derived(folder, pipeline)
    assert record.place is not None
    group = zarr.open_group(folder.zarr, mode="r", use_consolidated=True)
    assert group.attrs["place_expanded_uncertainty_mm"] == record.place.expanded_mm
    assert group.attrs["place_coverage"] == 0.95
    assert group.attrs["place_uncertainty_without"] == ["delay", "encoder scale"]


WORLDS = 120
TIMES: tuple[Time, ...] = ("clock", "number", "steady")
DELAY_MS, SCALE_PERCENT = 0.8, 0.1


def drawn(seed: int) -> np.ndarray:
    """Return standard normal numbers for all worlds, one from each of as many equal shares."""
    shares = (np.random.default_rng(seed).permutation(WORLDS) + 0.5) / WORLDS
    return np.array([NormalDist().inv_cdf(float(one)) for one in shares])


def uncertain_scene(time: Time, delay: float, scale: float) -> Scene:
    """Return a scene whose delay and scale are off by so many standard uncertainties."""
    scene = standard_scene("raster", time, speed=(100.0, 300.0))
    stated = f'delay_uncertainty = "{DELAY_MS} ms"\n'
    return replace(
        scene,
        lines=2,
        delay_off=delay * DELAY_MS * 1e-3,
        scale_off=scale * SCALE_PERCENT / 100,
        scan=f'scale_uncertainty = "{SCALE_PERCENT} %"\n',
        gauge=replace(scene.gauge, on_purpose=stated),
        encoder=replace(scene.encoder, on_purpose='delay_uncertainty = "0 ms"\n'),
    )


@pytest.mark.slow
def test_interval_of_the_places_holds_the_truth() -> None:
    """With delay and scale drawn from what is stated of them, 93 to 97 % are within the interval.

    The gauge has a clock, a running number or a steady rate.
    """
    inside = moving = 0
    for seed, (delay, scale) in enumerate(zip(drawn(1), drawn(2), strict=True)):
        time: Time = TIMES[seed % 3]
        world = make_world(uncertain_scene(time, float(delay), float(scale)), seed)
        seen = PlacedReadings()
        pipeline = Pipeline(world.station, observer=seen)
        pipeline.collect_all(world.entries)
        pipeline.advance()
        budget = pipeline.place_budget()
        assert budget is not None
        offset, scan, _ = seen.columns()
        error, _, _, _ = errors_of(world, offset, scan)
        number = world.truth.sample[np.searchsorted(world.truth.offset, offset)]
        moves = np.abs(world.truth.velocity[number]) > 1.0
        inside += int(np.count_nonzero(np.abs(error[moves]) <= budget.expanded_mm))
        moving += int(np.count_nonzero(moves))
    assert 0.93 <= inside / moving <= 0.97, f"{inside / moving:.4f} of {moving}"
