"""Readings on step blocks, made from a known law."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swathe.calibration import StepReading, ThicknessLaw

STEEL = ThicknessLaw(velocity=5.920, zero_offset=0.250)
DUAL = ThicknessLaw(velocity=5.920, zero_offset=7.400, separation=3.0)
BLOCK = (2.5, 5.0, 10.0, 20.0, 25.0)


def read(law: ThicknessLaw, thickness: Sequence[float], **more: float) -> list[StepReading]:
    """Exact readings of steps."""
    times = law.time_of_flight(thickness).tolist()
    return [
        StepReading(thickness=d, time_of_flight=t, **more)  # type: ignore[arg-type]
        for d, t in zip(thickness, times, strict=True)
    ]


def noisy(
    law: ThicknessLaw, thickness: Sequence[float], sd: float, n: int, seed: int
) -> list[StepReading]:
    """Readings whose times scatter by `sd`, `n` on each step."""
    random = np.random.default_rng(seed)
    found = []
    for d in thickness:
        times = float(law.time_of_flight(d)) + random.normal(0, sd, n)
        found.append(
            StepReading(
                thickness=d,
                time_of_flight=float(times.mean()),
                sd=float(times.std(ddof=1)),
                readings=n,
            )
        )
    return found
