"""Whether gates lie within the record, before a single A-scan is measured."""

from __future__ import annotations

import math

from swathe.echo.settings import EchoSettings, GateSettings
from swathe.errors import Problem

__all__ = ["FEWEST_SAMPLES", "check_gates", "first_sample", "windows"]

FEWEST_SAMPLES = 4
"""Of a gate: fewer do not show an echo rise and fall."""

# A border on a sample belongs to it although decimals say otherwise, in samples.
_ROUNDING = 1e-6


def first_sample(time_us: float, *, interval_us: float, start_us: float) -> int:
    """Return the first sample at or after a time."""
    return math.ceil((time_us - start_us) / interval_us - _ROUNDING)


def width_samples(gate: GateSettings, interval_us: float) -> int:
    """Return how many samples a gate holds."""
    return math.floor(gate.width / interval_us + _ROUNDING) + 1


def windows(settings: EchoSettings) -> dict[str, tuple[float, float]]:
    """Return for each gate its earliest beginning and its latest end, µs.

    They differ by more than the width where a gate follows an echo, which may be anywhere in a
    gate of its own.
    """
    found: dict[str, tuple[float, float]] = {}
    for gate in settings.gate:
        parent = settings.parent(gate)
        earliest, latest = found[parent] if parent is not None else (0.0, 0.0)
        found[gate.name] = (earliest + gate.start, latest + gate.start + gate.width)
    return found


def check_gates(
    settings: EchoSettings, *, interval_us: float, start_us: float, samples: int
) -> list[Problem]:
    """Return what keeps the gates from being measured in A-scans of a known shape.

    Args:
        settings: the table ``[echo]``.
        interval_us: between two samples, µs.
        start_us: time of the first sample, µs.
        samples: of an A-scan.

    Raises:
        ValueError: the interval is not above 0, a time is not finite, or there are fewer than 4
            samples; correct what reads the A-scans.
    """
    if not (math.isfinite(interval_us) and interval_us > 0):
        msg = f"'interval_us' must be > 0 (got {interval_us!r})"
        raise ValueError(msg)
    if not math.isfinite(start_us):
        msg = f"'start_us' must be finite (got {start_us!r})"
        raise ValueError(msg)
    if samples < FEWEST_SAMPLES:
        msg = f"'samples' must be >= {FEWEST_SAMPLES} (got {samples!r})"
        raise ValueError(msg)
    problems = []
    last_us = start_us + (samples - 1) * interval_us
    slack = _ROUNDING * interval_us
    found = windows(settings)
    for k, gate in enumerate(settings.gate):
        key = f"echo.gate[{k}]"
        earliest, latest = found[gate.name]
        parent = settings.parent(gate)
        after = f" after the echo in gate '{parent}'" if parent is not None else ""
        if earliest < start_us - slack:
            problems.append(
                Problem(
                    f"{key}.start",
                    f"must not lie before the A-scan, which begins at {start_us:g} us",
                    gate.start,
                    "start the gate later or the A-scan earlier",
                )
            )
        if latest > last_us + slack:
            problems.append(
                Problem(
                    f"{key}.width",
                    f"must end within the A-scan, which ends at {last_us:g} us: "
                    f"gate '{gate.name}' ends at {latest:g} us{' at the latest' if after else ''}{after}",
                    gate.width,
                    "make the gate narrower or the A-scan longer",
                )
            )
        if width_samples(gate, interval_us) < FEWEST_SAMPLES:
            problems.append(
                Problem(
                    f"{key}.width",
                    f"must hold at least {FEWEST_SAMPLES} samples of {interval_us:g} us",
                    gate.width,
                    "make the gate wider",
                )
            )
    half_rate = 0.5 / interval_us
    if settings.band is not None and settings.band.upper > half_rate:
        problems.append(
            Problem(
                "echo.band",
                f"must end below half the sampling rate, {half_rate:g} MHz: "
                f"its upper -6 dB point is at {settings.band.upper:g} MHz",
                settings.band.centre,
                "lower its centre or bandwidth, or sample faster",
            )
        )
    return problems
