"""Readings of a device that sends A-scans: what is measured on them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.echo import EchoSettings, measure
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.reading_flags import ReadingFlag
from swathe_drivers import WaveformFormat

__all__ = ["measure_readings"]


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
