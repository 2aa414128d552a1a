"""From A-scans to times of flight: modes, flags and what must not go wrong silently."""

from __future__ import annotations

import itertools
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.echo_model import scans, settings
from swathe.echo import Echoes, EchoSettings, GateEchoes, measure
from swathe.echo.measure import _BLOCK

QUARTER = 0.05  # of a period of 5 MHz, µs: from a peak to the zero behind it


def measured(waves: Any, asked: EchoSettings | None = None, start: float = 0.0) -> Echoes:
    """Return what A-scans at 50 MS/s tell."""
    return measure(waves, interval_us=0.02, start_us=start, settings=asked or settings())


def test_first_back_wall_from_time_zero() -> None:
    """The time of flight is the echo's own time, the amplitude its height."""
    got = measured(scans([[(3.0, 80.0), (5.0, 95.0)], [(7.013, 30.0)]]))
    assert got.time_of_flight == pytest.approx([3.0 + QUARTER, 7.013 + QUARTER], abs=2e-4)
    assert got.amplitude == pytest.approx([80.0, 30.0], rel=0.01)
    assert got.found.tolist() == [True, True]
    assert not got.saturated.any()
    assert np.isnan(got.interface_time).all()


def test_start_of_the_record_is_added() -> None:
    """A record that begins later shows the same time."""
    waves = scans([[(3.0, 80.0)]], start=0.77)
    assert measured(waves, start=0.77).time_of_flight == pytest.approx([3.05], abs=2e-4)


def test_no_echo_above_the_threshold_is_not_found() -> None:
    """A weak echo has its height told, and no time."""
    got = measured(scans([[(3.0, 19.0)], []]))
    assert got.found.tolist() == [False, False]
    assert np.isnan(got.time_of_flight).all()
    assert got.amplitude == pytest.approx([19.0, 0.0], abs=0.2)


@pytest.mark.parametrize("kind", ["flank", "peak", "zero_crossing"])
def test_echo_outside_the_gate_is_not_seen(kind: str) -> None:
    """A stronger echo before or behind the gate changes nothing."""
    asked = settings({"start": "2 us", "width": "4 us", "measure": kind})
    got = measured(scans([[(1.0, 95.0), (4.0, 60.0), (7.0, 95.0)], [(4.0, 60.0)]]), asked)
    assert got.found.all()
    assert got.time_of_flight[0] == pytest.approx(got.time_of_flight[1], abs=1e-4)


@pytest.mark.parametrize("kind", ["flank", "peak", "zero_crossing"])
@pytest.mark.parametrize("at", [1.9, 2.0])
def test_echo_on_the_gates_start_is_cut(kind: str, at: float) -> None:
    """An echo that began before the gate is told as cut, and not measured by what is left of it."""
    asked = settings({"start": "2 us", "width": "4 us", "measure": kind})
    got = measured(scans([[(at, 80.0)], [(4.0, 80.0)]], sigma=0.2), asked)
    assert got.gates["A"].cut.tolist() == [True, False]
    assert got.found.tolist() == [False, True]
    assert np.isnan(got.time_of_flight[0])


@pytest.mark.parametrize("kind", ["peak", "zero_crossing"])
def test_echo_on_the_gates_end_is_cut(kind: str) -> None:
    """An echo whose top is behind the gate is told as cut."""
    asked = settings({"start": "2 us", "width": "4 us", "measure": kind})
    got = measured(scans([[(6.08, 80.0)]], sigma=0.2), asked)
    assert got.gates["A"].cut.tolist() == [True]
    assert got.found.tolist() == [False]


@pytest.mark.parametrize("kind", ["flank", "peak", "zero_crossing"])
@pytest.mark.parametrize("band", [None, {"centre": "5 MHz"}])
def test_clipped_echo_is_flagged(kind: str, band: Any) -> None:
    """What the converter clipped is saturated, by whichever half cycle, and others are not."""
    waves = scans([[(3.0, 140.0)], [(3.0, 95.0)], [(3.0, 105.0), (6.0, 30.0)]])
    waves = np.clip(waves, -100.0, 100.0)
    got = measured(waves, settings({"measure": kind}, band=band))
    assert got.saturated.tolist() == [True, False, True]
    assert got.found.all()
    # Only the negative half cycle is clipped.
    got = measured(-waves[2:], settings({"measure": kind}, band=band))
    assert got.saturated.tolist() == [True]


def test_clipped_echo_elsewhere_is_no_matter() -> None:
    """A clipped second echo, and a clipped one before the gate, leave the first one good."""
    waves = np.clip(scans([[(0.5, 300.0), (3.0, 60.0), (6.0, 200.0)]]), -100.0, 100.0)
    got = measured(waves)
    assert got.found.tolist() == [True]
    assert got.saturated.tolist() == [False]


@pytest.mark.parametrize("scale", [100 / 127, 100 / 32767])
def test_clipped_code_in_single_precision_is_flagged(scale: float) -> None:
    """The greatest code times its scale is full scale, although rounding may leave it below."""
    wave = scans([[(3.0, 200.0)]])
    codes = np.clip(np.rint(wave / scale), -round(100 / scale), round(100 / scale))
    assert measured(codes.astype(np.float32) * np.float32(scale)).saturated.tolist() == [True]


FRONT = {"name": "front", "start": "0.5 us", "width": "2 us", "polarity": "negative"}


def test_interface_moves_the_gate_and_is_taken_off() -> None:
    """Behind a water path that changes, the wall has the same time of flight."""
    asked = settings(
        FRONT,
        {"after": "interface", "start": "0.8 us", "width": "4 us"},
        interface="front",
    )
    paths = [1.0, 1.307, 2.2]
    got = measured(scans([[(path, -60.0), (path + 2.0, 50.0)] for path in paths]), asked)
    # The interface's echo is upside down: its crossing rises, at the same quarter of a period.
    assert got.interface_time == pytest.approx(np.add(paths, QUARTER), abs=2e-4)
    assert got.time_of_flight == pytest.approx([2.0] * 3, abs=2e-4)
    assert got.amplitude == pytest.approx([50.0] * 3, rel=0.02)


def test_interface_that_is_missing_leaves_nothing() -> None:
    """Without an interface echo the gate after it is nowhere, and no time of flight is told."""
    asked = settings(
        FRONT,
        {"after": "interface", "start": "0.8 us", "width": "4 us"},
        interface="front",
    )
    got = measured(scans([[(3.0, 50.0)], [(1.0, -60.0), (3.0, 50.0)]]), asked)
    assert got.found.tolist() == [False, True]
    assert np.isnan(got.amplitude).tolist() == [True, False]
    assert np.isnan(got.interface_time).tolist() == [True, False]


def test_interface_that_is_clipped_spoils_the_time_of_flight() -> None:
    """A time from a clipped interface echo is flagged as well."""
    asked = settings(FRONT, {"start": "2.6 us", "width": "4 us"}, interface="front")
    waves = np.clip(scans([[(1.0, -200.0), (3.0, 50.0)]]), -100.0, 100.0)
    got = measured(waves, asked)
    assert got.found.tolist() == [True]
    assert got.saturated.tolist() == [True]
    assert got.gates["A"].saturated.tolist() == [False]


def test_echo_to_echo_is_between_the_two() -> None:
    """From the first back wall's echo to the second's; one missing leaves none."""
    asked = settings(
        {"start": "1 us", "width": "3 us"},
        {"name": "B", "after": "A", "start": "0.5 us", "width": "4 us", "threshold": 10},
        mode="echo to echo",
        time_of_flight=["A", "B"],
    )
    got = measured(scans([[(2.0, 80.0), (3.777, 45.0)], [(2.0, 80.0)], [(5.0, 45.0)]]), asked)
    assert got.time_of_flight[0] == pytest.approx(1.777, abs=2e-4)
    assert got.found.tolist() == [True, False, False]
    assert got.amplitude[0] == pytest.approx(80.0, rel=0.01)
    assert got.gates["B"].amplitude[0] == pytest.approx(45.0, rel=0.01)


def test_echo_to_echo_of_the_same_echo_is_none() -> None:
    """Two gates that caught one echo tell no thickness of zero."""
    asked = settings(
        {"start": "1 us", "width": "4 us"},
        {"name": "B", "start": "2 us", "width": "4 us"},
        mode="echo to echo",
        time_of_flight=["A", "B"],
    )
    assert measured(scans([[(3.0, 80.0)]]), asked).found.tolist() == [False]


def test_rectified_scans_are_measured() -> None:
    """Rectified A-scans have flank and peak, those of the first echo: the wall under the beam."""
    waves = np.abs(scans([[(3.0, 60.0), (5.0, 80.0)], [(9.5, 80.0)]]))
    flank = measured(waves, settings({"measure": "flank"}, rectified=True))
    assert flank.found.tolist() == [True, False]
    assert 2.7 < flank.time_of_flight[0] < 3.0
    peak = measured(waves, settings({"measure": "peak"}, rectified=True))
    assert peak.time_of_flight[0] == pytest.approx(3.0, abs=1e-3)
    assert peak.amplitude[0] == pytest.approx(60.0, rel=0.01)
    assert peak.ambiguous.tolist() == [True, False]
    assert peak.gates["A"].second_time[0] == pytest.approx(5.0, abs=5e-3)


def test_waveform_with_nan_has_no_echo() -> None:
    """A hole in an A-scan leaves that one without an echo and the others alone."""
    waves = scans([[(3.0, 80.0)]] * 3)
    waves[1, 100] = np.nan
    for band in (None, {"centre": "5 MHz"}):
        for kind in ("flank", "peak", "zero_crossing"):
            got = measured(waves, settings({"measure": kind}, band=band))
            assert got.found[[0, 2]].all()
            assert kind != "zero_crossing" or not got.found[1]


def test_no_waveforms_give_empty_columns() -> None:
    """An empty batch has empty columns, with gates that follow as well."""
    asked = settings(FRONT, {"after": "front", "start": 0, "width": "4 us"}, interface="front")
    got = measured(np.empty((0, 512), np.float32), asked)
    assert got.time_of_flight.shape == got.interface_time.shape == (0,)
    assert got.gates["A"].found.dtype == np.bool_


def test_waveforms_of_another_shape_are_refused() -> None:
    """One A-scan alone is given as a batch of one."""
    with pytest.raises(ValueError, match=r"must have the shape \(n, samples\) \(got \(512,\)\)"):
        measured(np.zeros(512, np.float32))


def test_gate_outside_the_record_is_refused() -> None:
    """A gate that reaches beyond the A-scan is an error, not a gate that is a little shorter."""
    with pytest.raises(ValueError, match=r"'echo.gate\[0\].width' must end within the A-scan"):
        measured(np.zeros((1, 400), np.float32))


def test_codes_are_taken_as_they_are() -> None:
    """Whole numbers are measured like the numbers they are."""
    waves = scans([[(3.0, 80.0)]])
    codes = np.rint(waves).astype(np.int8)
    assert measured(codes).time_of_flight == pytest.approx([3.05], abs=2e-3)


@pytest.mark.slow
@given(
    cuts=st.lists(st.integers(0, 2 * _BLOCK + 9), max_size=6),
    kind=st.sampled_from(("flank", "peak", "zero_crossing")),
    band=st.sampled_from((None, {"centre": "5 MHz"})),
)
def test_result_does_not_depend_on_the_batches(cuts: list[int], kind: str, band: Any) -> None:
    """Cut into batches anyhow, the columns are the same bit for bit: a rebuild cuts otherwise."""
    random = np.random.default_rng(5)
    at = random.uniform(0.8, 9.5, (2 * _BLOCK + 9, 2))
    waves = scans([[(a, 60.0), (b, 90.0)] for a, b in at])
    waves += random.normal(0, 4.0, waves.shape).astype(np.float32)
    asked = settings({"measure": kind}, band=band)
    whole = measured(waves, asked)
    borders = [0, *sorted(cuts), len(waves)]
    parts = [measured(waves[a:b], asked) for a, b in itertools.pairwise(borders)]
    for field in fields(GateEchoes):
        one = getattr(whole.gates["A"], field.name)
        other = np.concatenate([getattr(part.gates["A"], field.name) for part in parts])
        assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), field.name


@pytest.mark.parametrize("frequency", [3.0, 4.5, 4.9, 5.0, 5.1, 5.5, 6.0])
def test_zero_crossing_with_few_samples_a_period(frequency: float) -> None:
    """At 20 MS/s, 3.3 to 6.7 samples a period, the zero is a quarter period behind the peak."""
    interval, peak = 0.05, 4.513
    away = np.arange(256) * interval - peak
    wave = 60 * np.cos(2 * np.pi * frequency * away) * np.exp(-((away / 0.2) ** 2))
    got = measure(
        wave.astype(np.float32)[None],
        interval_us=interval,
        start_us=0.0,
        settings=settings({"start": "1 us", "width": "8 us", "measure": "zero_crossing"}),
    )
    assert got.time_of_flight == pytest.approx([peak + 0.25 / frequency], abs=2e-4)
