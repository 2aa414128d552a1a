"""Readings of a device that sends A-scans: what is measured on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import distinct
from swathe.echo import EchoSettings, measure
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.reading_flags import ReadingFlag
from swathe_drivers import WaveformFormat

__all__ = ["Gating", "measure_by_input", "measure_readings"]


@dataclass(frozen=True, slots=True)
class Gating:
    """How A-scans are measured.

    Attributes:
        settings: the gates.
        zero_offset_us: of the calibration in force, µs.
    """

    settings: EchoSettings
    zero_offset_us: float


def measure_by_input(
    readings: NDArray[Any],
    waveforms: NDArray[Any],
    form: WaveformFormat,
    settings: EchoSettings | None,
    zero_offset_us: float,
    of_inputs: Mapping[int, Gating],
    *,
    tally: DeviceTally,
) -> None:
    """Fill in what the A-scans show, in place, with the gates of each input of the device.

    Args:
        readings: of dtype `READING`, shape (n,), the column ``probe`` with the device's inputs.
        waveforms: as sent, shape (n, samples).
        form: what the samples mean.
        settings: of the inputs that have no other; None leaves their readings as they were sent.
        zero_offset_us: likewise.
        of_inputs: of single inputs.
        tally: counts what is saturated or ambiguous.
    """
    if not of_inputs:
        if settings is not None:
            measure_readings(readings, waveforms, form, settings, zero_offset_us, tally)
        return
    others = None if settings is None else Gating(settings, zero_offset_us)
    inputs = np.ascontiguousarray(readings["probe"])
    for number in distinct(inputs).tolist():
        one = of_inputs.get(number, others)
        if one is None:
            continue
        rows = np.flatnonzero(inputs == number)
        part = readings[rows]
        measure_readings(part, waveforms[rows], form, one.settings, one.zero_offset_us, tally)
        readings[rows] = part


def measure_readings(
    readings: NDArray[Any],
    waveforms: NDArray[Any],
    form: WaveformFormat,
    settings: EchoSettings,
    zero_offset_us: float,
    tally: DeviceTally,
) -> None:
    """Fill in time of flight, amplitude, validity and flags from the A-scans, in place.

    Args:
        readings: of dtype `READING`, shape (n,).
        waveforms: as sent, shape (n, samples).
        form: what the samples mean.
        settings: how they are measured.
        zero_offset_us: of the calibration in force, µs.
        tally: counts what is saturated or ambiguous.
    """
    scale = np.float32(100 / form.full_scale)
    percent = (waveforms.astype(np.float32) - np.float32(form.zero)) * scale
    echoes = measure(
        percent,
        interval_us=form.interval_us,
        start_us=form.start_us,
        settings=settings,
        zero_offset_us=zero_offset_us,
    )
    readings["time_of_flight"] = echoes.time_of_flight
    readings["amplitude"] = echoes.amplitude
    found = readings["valid"] & echoes.found
    clipped = found & echoes.saturated
    if not settings.allow_saturated:
        found &= ~clipped
        readings["time_of_flight"][clipped] = np.nan
    readings["valid"] = found
    ambiguous = found & echoes.ambiguous
    readings["flags"][clipped] |= np.uint16(ReadingFlag.CLIPPED)
    readings["flags"][ambiguous] |= np.uint16(ReadingFlag.AMBIGUOUS)
    tally.saturated += int(np.count_nonzero(clipped))
    tally.ambiguous += int(np.count_nonzero(ambiguous))
    tally.ambiguous_by.update(echoes.reason_counts(found))
