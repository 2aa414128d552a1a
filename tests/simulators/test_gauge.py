"""Readings follow the wall under the probe."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe_simulators.device_models import EchoModel, WaveformModel
from swathe_simulators.gauge import EchoNoise, echo_time, readings, waveforms


def quiet(n: int) -> EchoNoise:
    """Return no chance at all, but a floor of one mean."""
    return EchoNoise(value=np.zeros(n), amplitude=np.zeros(n), floor=np.ones(n))


def test_time_of_flight_step_block_identity() -> None:
    """Steps of 2.5 to 25 mm at 5.920 mm/µs and 0.250 µs, worked out by hand from 2d/v + zero."""
    steps = np.array([2.5, 5, 10, 20, 25])
    expected = [1.094594595, 1.939189189, 3.628378378, 7.006756757, 8.695945946]
    flight = echo_time(steps, velocity=5.92, zero_offset=0.25)
    assert flight == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("value", "expected"), [("time_of_flight", 5.15), ("thickness", 14.0)])
def test_readings_without_echo_are_zero(value: str, expected: float) -> None:
    """Without an echo the value is 0 and the amplitude only noise."""
    model = EchoModel.model_validate({"value": value, "zero_offset_us": 0.42})
    got, amplitude = readings(
        model,
        thickness=np.array([14.0, 14.0]),
        echo=np.array([True, False]),
        velocity=28 / 4.73,
        noise=quiet(2),
    )
    assert got == pytest.approx([expected, 0.0])
    assert amplitude.tolist() == [82.0, 4.0]


def test_readings_noise_has_its_sigma() -> None:
    """The value's noise is its standard deviation times the draw."""
    model = EchoModel(noise_us=0.004)
    noise = EchoNoise(value=np.array([2.0]), amplitude=np.zeros(1), floor=np.zeros(1))
    got, _ = readings(
        model, thickness=np.array([10.0]), echo=np.array([True]), velocity=5.0, noise=noise
    )
    assert got == pytest.approx([4.008])


def scans(
    thickness: list[float], *, echo: list[bool] | None = None, strength: float = 0.0, **keys: Any
) -> NDArray[np.int8] | NDArray[np.int16]:
    """Return noiseless A-scans of 10.24 µs at 50 MS/s in codes, unless told otherwise."""
    plain = {"frequency_mhz": 5, "sampling_mhz": 50, "samples": 512, "noise_percent": 0}
    waveform = WaveformModel.model_validate(plain | keys)
    model = EchoModel(
        value="waveform", waveform=waveform, zero_offset_us=0.42, amplitude_percent=80
    )
    return waveforms(
        model,
        waveform,
        thickness=np.array(thickness),
        echo=np.ones(len(thickness), np.bool_) if echo is None else np.array(echo),
        velocity=5.92,
        strength=np.full(len(thickness), strength),
        grass=np.random.default_rng(4),
    )


@pytest.mark.parametrize(("bits", "full"), [(8, 127), (16, 32767)])
def test_waveforms_echo_where_and_as_high_as_told(bits: int, full: int) -> None:
    """The back wall of 11.84 mm stands at 0.42 + 2·11.84/5.92 = 4.42 µs, sample 221, at 80 %."""
    (row,) = scans([11.84], bits=bits)
    assert row.dtype == f"int{bits}"
    assert int(row.argmax()) == 221
    assert row.max() == pytest.approx(0.8 * full, abs=1)


def test_waveforms_without_coupling_keep_the_interface() -> None:
    """Without coupling there is no back wall, but still the echo of a delay line's end."""
    row, off = scans([11.84, 11.84], echo=[True, False], interface_us=2.0)
    assert np.abs(off[300:]).max() == 0
    assert np.abs(row[300:]).max() > 20000
    assert int(np.argmax(off)) == 121


def test_waveforms_strength_weakens_echoes_not_noise() -> None:
    """One sigma of 3 % in 80 % more or less changes the echo by so much and the noise not."""
    plain = scans([11.84], noise_percent=2)
    weak = scans([11.84], noise_percent=2, strength=-8.0)
    assert plain[0, 221] - weak[0, 221] == pytest.approx(0.24 * 32767, abs=1)
    assert np.array_equal(plain[0, :100], weak[0, :100])
    assert np.std(plain[0, :100].astype(float)) == pytest.approx(0.02 * 32767, rel=0.3)


def test_waveforms_full_scale_sets_the_code() -> None:
    """An echo of 80 % is full scale where full scale is 80 %, and clipped where it is 50 %."""
    assert scans([11.84], full_scale_percent=80).max() == 32767
    clipped = scans([11.84], full_scale_percent=50)[0]
    assert np.sum(clipped == 32767) > 1
