"""Readings follow the wall under the probe."""

from __future__ import annotations

import numpy as np
import pytest

from swathe_simulators.device_models import EchoModel
from swathe_simulators.gauge import EchoNoise, readings, time_of_flight


def quiet(n: int) -> EchoNoise:
    """Return no chance at all, but a floor of one mean."""
    return EchoNoise(value=np.zeros(n), amplitude=np.zeros(n), floor=np.ones(n))


def test_time_of_flight_step_block_identity() -> None:
    """Steps of 2.5 to 25 mm at 5.920 mm/µs and 0.250 µs, worked out by hand from 2d/v + zero."""
    steps = np.array([2.5, 5, 10, 20, 25])
    expected = [1.094594595, 1.939189189, 3.628378378, 7.006756757, 8.695945946]
    flight = time_of_flight(steps, velocity=5.92, zero_offset=0.25)
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
