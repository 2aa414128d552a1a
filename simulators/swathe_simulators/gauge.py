"""Readings of a thickness instrument, from the wall under the probe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swathe_simulators.base import Bools, Floats
from swathe_simulators.device_models import EchoModel, WaveformModel
from swathe_simulators.echoes import Pulse, ascans, digitise


@dataclass(frozen=True, slots=True)
class EchoNoise:
    """What chance adds to n readings, shape (n,) each; drawn whether or not it is used.

    Attributes:
        value: standard normal, for the value.
        amplitude: standard normal, for the amplitude of an echo.
        floor: standard exponential, for the amplitude where there is none.
    """

    value: Floats
    amplitude: Floats
    floor: Floats


def echo_time(thickness: Floats, *, velocity: float, zero_offset: Floats | float) -> Floats:
    """Return zero_offset + 2·thickness/velocity in µs.

    The pulse-echo relation of contact thickness measurement (given in ISO 16809; from
    memory). Thickness in mm, velocity in mm/µs, offset in µs.
    """
    return zero_offset + 2.0 * thickness / velocity


def readings(
    model: EchoModel,
    *,
    thickness: Floats,
    echo: Bools,
    velocity: float,
    noise: EchoNoise,
    film_us: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Return value (µs or mm by the model) and amplitude (% of full screen height).

    Args:
        model: the instrument's.
        thickness: true wall in mm, shape (n,).
        echo: whether there is an echo, shape (n,).
        velocity: of the material, mm/µs.
        noise: chance, shape (n,).
        film_us: what the couplant adds to the time of flight, shape (n,).
    """
    if model.value == "thickness":
        true, sigma = thickness + film_us * velocity / 2.0, model.noise_mm
    else:
        late = model.zero_offset_us + film_us
        true = echo_time(thickness, velocity=velocity, zero_offset=late)
        sigma = model.noise_us
    value = np.where(echo, np.maximum(true + sigma * noise.value, 0.0), 0.0)
    strong = model.amplitude_percent + model.amplitude_noise_percent * noise.amplitude
    amplitude = np.where(echo, strong, model.floor_percent * noise.floor)
    return value, np.clip(amplitude, 0.0, 200.0)


def waveforms(
    model: EchoModel,
    waveform: WaveformModel,
    *,
    thickness: Floats,
    echo: Bools,
    velocity: float,
    strength: Floats,
    grass: np.random.Generator,
    film_us: Floats | float = 0.0,
) -> npt.NDArray[np.int8] | npt.NDArray[np.int16]:
    """Return A-scans as the instrument's converter gives them, shape (n, samples).

    Args:
        model: the instrument's.
        waveform: how it makes A-scans.
        thickness: true wall in mm, shape (n,).
        echo: whether sound gets into the wall, shape (n,).
        velocity: of the material, mm/µs.
        strength: standard normal, for the amplitude of all echoes of a row, shape (n,).
        grass: source of the noise of every sample; `samples` values are drawn per row.
        film_us: what the couplant makes every echo late by, shape (n,).
    """
    found = ascans(
        thickness,
        pulse=Pulse(
            frequency_mhz=waveform.frequency_mhz,
            bandwidth=waveform.bandwidth,
            amplitude_percent=model.amplitude_percent,
            phase_deg=waveform.phase_deg,
        ),
        velocity_mm_per_us=velocity,
        zero_offset_us=model.zero_offset_us + film_us,
        sampling_mhz=waveform.sampling_mhz,
        samples=waveform.samples,
        random=grass,
        start_us=waveform.start_us,
        attenuation=waveform.attenuation,
        back_walls=waveform.back_walls,
        interface_us=waveform.interface_us,
        interface_percent=waveform.interface_percent,
        coupled=echo,
    )
    # Coupling weakens the echoes; the noise of the electronics stays what it is.
    share = model.amplitude_noise_percent / model.amplitude_percent
    found *= np.maximum(1.0 + share * strength, 0.0)[:, None]
    found += waveform.noise_percent * grass.standard_normal(found.shape)
    return digitise(found, bits=waveform.bits, full_scale_percent=waveform.full_scale_percent)
