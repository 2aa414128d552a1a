"""A-scans of a wall: what an ultrasonic probe's electronics would show, sample by sample.

The transmitted pulse is a cosine under a Gaussian; each echo is that pulse, later and weaker, its
value worked out at every sample's own time, so that an echo is at its exact time and not at
the nearest sample. Not modelled: frequency-dependent attenuation, beam spread, mode conversion and
grain noise (the noise is white).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from swathe_simulators.base import Bools, Floats

# Half the bandwidth is where the spectrum has fallen by 6 dB, in natural logarithm.
_MINUS_6_DB = 0.3 * math.log(10.0)
# Beyond so many standard deviations of the Gaussian there is less than 2e-8 of the pulse.
_REACH = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """A pulse as it comes back from the first back wall.

    Attributes:
        frequency_mhz: of the cosine, MHz.
        bandwidth: between the -6 dB points of the spectrum, as a share of the frequency.
        amplitude_percent: height of the Gaussian, % of full screen height.
        phase_deg: of the cosine at the Gaussian's top; 0 puts a positive peak there.
    """

    frequency_mhz: float
    bandwidth: float = 0.6
    amplitude_percent: float = 80.0
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no pulse.

        Raises:
            ValueError: frequency or bandwidth is not above 0; give positive ones.
        """
        for name in ("frequency_mhz", "bandwidth"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                message = f"'{name}' must be > 0 (got {value!r})"
                raise ValueError(message)

    @property
    def sigma_us(self) -> float:
        """Standard deviation of the Gaussian, µs.

        The Gaussian exp(-t²/2σ²) has the spectrum exp(-(2π·f·σ)²/2), which is at -6 dB where f is
        half the bandwidth (Fourier transform of a Gaussian).
        """
        return math.sqrt(2.0 * _MINUS_6_DB) / (math.pi * self.bandwidth * self.frequency_mhz)

    def at(self, time_us: Floats) -> Floats:
        """Return the pulse at times from its own top, % of full screen height, any shape."""
        phase = 2.0 * math.pi * self.frequency_mhz * time_us + math.radians(self.phase_deg)
        hill = np.exp(-0.5 * (time_us / self.sigma_us) ** 2)
        return np.asarray(self.amplitude_percent * hill * np.cos(phase))


def ascans(
    thickness_mm: npt.ArrayLike,
    *,
    pulse: Pulse,
    velocity_mm_per_us: float,
    zero_offset_us: float | Floats,
    sampling_mhz: float,
    samples: int,
    random: np.random.Generator,
    start_us: float = 0.0,
    noise_percent: float = 0.0,
    attenuation: float = 0.6,
    back_walls: int = 3,
    interface_us: float | Floats | None = None,
    interface_percent: float = 90.0,
    coupled: Bools | None = None,
) -> Floats:
    """Return signed A-scans of walls, % of full screen height, shape (n, samples).

    The k-th back wall is at ``zero_offset + interface + 2·k·thickness/velocity`` (pulse-echo
    relation of contact thickness measurement, given in ISO 16809; from memory); the interface
    echo, if there is one, at ``zero_offset + interface``.

    Args:
        thickness_mm: true wall, shape (n,); NaN where there is none, hence no back wall.
        pulse: the first back wall's echo.
        velocity_mm_per_us: of the material.
        zero_offset_us: of the electronics and the couplant, which every echo is late by, a number or
            shape (n,).
        sampling_mhz: samples per µs.
        samples: of an A-scan.
        random: source of the noise; drawn from only if there is noise.
        start_us: time of the first sample.
        noise_percent: RMS of white noise up to half the sampling rate, % of full screen height.
        attenuation: amplitude of each later back wall over that of the one before.
        back_walls: how many echoes of the back wall there are.
        interface_us: time of flight of a delay line or water path, µs, a number or shape (n,).
        interface_percent: amplitude of the interface echo; negative when it is inverted.
        coupled: whether sound gets into the wall, shape (n,); without it the back walls are absent
            and the interface echo stays.

    Raises:
        ValueError: the columns have not one shape (n,); give one value per wall.
    """
    wall = np.asarray(thickness_mm, np.float64)
    path = np.broadcast_to(np.float64(0.0 if interface_us is None else interface_us), wall.shape)
    sound = np.ones(wall.shape, np.bool_) if coupled is None else np.asarray(coupled, np.bool_)
    if wall.ndim != 1 or sound.shape != wall.shape:
        message = f"'thickness_mm' and 'coupled' must be of one shape (n,) (got {wall.shape} and {sound.shape})"
        raise ValueError(message)
    found = np.zeros((wall.size, samples))
    first = zero_offset_us + path - start_us  # from the first sample
    at = np.where(sound, 2.0 * wall / velocity_mm_per_us, np.nan)
    for k in range(back_walls):
        _add(found, pulse, first + (k + 1) * at, attenuation**k, sampling_mhz)
    if interface_us is not None:
        strength = interface_percent / pulse.amplitude_percent
        _add(found, pulse, first, strength, sampling_mhz)
    if noise_percent > 0:
        found += noise_percent * random.standard_normal(found.shape)
    return found


def _add(found: Floats, pulse: Pulse, times: Floats, strength: float, sampling: float) -> None:
    """Add an echo to every row whose time, µs from the first sample, is known and near."""
    reach = math.ceil(_REACH * pulse.sigma_us * sampling)
    samples = found.shape[1]
    centre = np.rint(np.nan_to_num(times * sampling, nan=-1e9)).astype(np.int64)
    rows = np.flatnonzero((centre >= -reach) & (centre < samples + reach))
    columns = centre[rows, None] + np.arange(-reach, reach + 1)
    value = strength * pulse.at(columns / sampling - times[rows, None])
    inside = (columns >= 0) & (columns < samples)
    # An echo meets a row once, and each of its columns once: no two additions share an element.
    found[np.broadcast_to(rows[:, None], columns.shape)[inside], columns[inside]] += value[inside]


def digitise(
    waveforms: Floats, *, bits: Literal[8, 16], full_scale_percent: float = 100.0
) -> npt.NDArray[np.int8] | npt.NDArray[np.int16]:
    """Return A-scans as a converter gives them, clipped at both ends of its range.

    The greatest positive number (127 or 32767) is full scale, so a code counts
    ``full_scale_percent / 127`` or ``/ 32767``; the lowest number is one below minus full scale.

    Args:
        waveforms: % of full screen height, any shape.
        bits: of the converter.
        full_scale_percent: what the greatest number represents.
    """
    kind = np.int8 if bits == 8 else np.int16
    limits = np.iinfo(kind)
    codes = np.rint(waveforms * (limits.max / full_scale_percent))
    return np.asarray(np.clip(codes, limits.min, limits.max).astype(kind))
