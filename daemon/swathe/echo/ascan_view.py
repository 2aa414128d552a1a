"""One A-scan as it is looked at: the trace that is measured, the gates where they are, the points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.echo.envelope import analytic_signal
from swathe.echo.measure import Echoes
from swathe.echo.measure import measure as measure_ascans
from swathe.echo.reasons import REASON_TEXTS
from swathe.echo.settings import EchoMeasure, EchoSettings, GateSettings, Polarity

__all__ = ["AscanView", "GateView", "view_ascan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateView:
    """A gate and what it shows in one A-scan; times in µs from time zero, levels in % of FSH.

    Attributes:
        settings: of the gate.
        begin: its beginning; None where it follows an echo that is not there.
        end: its end; None likewise.
        time: of the measured point; None without an echo.
        level: of the trace at that point: the threshold for a flank, the top for a peak, 0 for a
            zero crossing; None without an echo.
        amplitude: of the echo, or the highest in the gate without one; None where the gate has no
            place.
        second_time: of another echo in the gate, the weaker one before the measured echo or else
            the one that follows; None without.
        reasons: why `time` may be that of another echo or another cycle; empty where it is not.
        problem: why the gate shows no echo, or one that is not to be trusted; empty otherwise.
    """

    settings: GateSettings
    begin: float | None
    end: float | None
    time: float | None
    level: float | None
    amplitude: float | None
    second_time: float | None
    reasons: tuple[str, ...]
    problem: str

    @property
    def levels(self) -> tuple[float, ...]:
        """The threshold with the sign of the half cycles that it applies to; two for ``either``."""
        threshold = self.settings.threshold
        match self.settings.polarity:
            case Polarity.POSITIVE:
                return (threshold,)
            case Polarity.NEGATIVE:
                return (-threshold,)
            case _:
                return (threshold, -threshold)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AscanView:
    """An A-scan with its gates; times in µs from time zero, levels in % of full screen height.

    Attributes:
        start_us: time of the first sample.
        interval_us: between two samples.
        trace: that is measured: behind the band-pass, where there is one, shape (samples,).
        band_passed: whether it is behind a band-pass.
        gates: in the order of the settings.
        time_of_flight: None without one.
        flight: from when to when the time of flight is, µs from time zero: between two points, or
            from time zero to one; None without one.
        amplitude: of the back wall's echo, or the highest in its gate; None where that has no place.
        saturated: whether the converter clipped in an echo that the time of flight is taken from.
        problem: why there is no time of flight, or one that is not to be trusted; empty otherwise.
    """

    start_us: float
    interval_us: float
    trace: NDArray[np.float32]
    band_passed: bool
    gates: tuple[GateView, ...]
    time_of_flight: float | None
    flight: tuple[float, float] | None
    amplitude: float | None
    saturated: bool
    problem: str

    @property
    def end_us(self) -> float:
        """Time of the last sample."""
        return self.start_us + (self.trace.size - 1) * self.interval_us

    @property
    def times(self) -> NDArray[np.float64]:
        """Times of the samples, shape (samples,)."""
        return self.start_us + self.interval_us * np.arange(self.trace.size, dtype=np.float64)


def view_ascan(
    waveform: NDArray[Any],
    *,
    interval_us: float,
    start_us: float,
    settings: EchoSettings,
    zero_offset_us: float = 0.0,
) -> AscanView:
    """Return an A-scan with what `measure` finds in it.

    Args:
        waveform: % of full screen height, shape (samples,).
        interval_us: between two samples, µs.
        start_us: time of the first sample, µs.
        settings: the table ``[echo]``.
        zero_offset_us: as for `measure`.

    Raises:
        ValueError: a gate is not within the A-scan; see `check_gates`.
    """
    data = np.asarray(waveform, np.float32)
    echoes = measure_ascans(
        data[None],
        interval_us=interval_us,
        start_us=start_us,
        settings=settings,
        zero_offset_us=zero_offset_us,
    )
    trace = data
    if settings.band is not None:
        trace = analytic_signal(data[None], interval_us=interval_us, band=settings.band)[0].real
    times = start_us + interval_us * np.arange(data.size)
    gates: dict[str, GateView] = {}
    for gate in settings.gate:
        parent = settings.parent(gate)
        origin = 0.0 if parent is None else gates[parent].time
        gates[gate.name] = _gate_view(gate, parent, origin, echoes, times, trace)
    amplitude = float(echoes.amplitude[0])
    flight = None
    if echoes.found[0]:
        end = gates[settings.time_of_flight[-1]].time or 0.0
        flight = (end - float(echoes.time_of_flight[0]), end)
    return AscanView(
        start_us=start_us,
        interval_us=interval_us,
        trace=np.ascontiguousarray(trace, np.float32),
        band_passed=settings.band is not None,
        gates=tuple(gates.values()),
        time_of_flight=float(echoes.time_of_flight[0]) if echoes.found[0] else None,
        flight=flight,
        amplitude=amplitude if math.isfinite(amplitude) else None,
        saturated=bool(echoes.saturated[0]),
        problem=_problem(echoes, settings, gates),
    )


def _gate_view(
    gate: GateSettings,
    parent: str | None,
    origin: float | None,
    echoes: Echoes,
    times: NDArray[np.floating[Any]],
    trace: NDArray[np.float32],
) -> GateView:
    found = echoes.gates[gate.name]
    begin = None if origin is None else origin + gate.start
    end = None if begin is None else begin + gate.width
    if end is not None and end > times[-1] + (times[1] - times[0]) / 2:
        begin = end = None  # it follows an echo so late that it leaves the record: not searched
    time = float(found.time[0]) if found.found[0] else None
    amplitude = float(found.amplitude[0])
    level = None
    if time is not None:
        level = _level(gate.measure, amplitude, float(np.interp(time, times, trace)))
    problem = ""
    if begin is None and origin is None:
        problem = f"has no place: no echo in gate '{parent}'"
    elif begin is None:
        problem = f"is outside the A-scan, behind the echo in gate '{parent}'"
    elif found.saturated[0]:
        problem = "the echo is clipped: lower the gain"
    elif found.cut[0]:
        problem = "shows only a part of an echo: move or widen it"
    elif time is None:
        problem = f"no echo reaches {gate.threshold:g} %"
    reasons = tuple(text for reason, text in REASON_TEXTS.items() if int(found.reasons[0]) & reason)
    if reasons and not problem:
        problem = "; ".join(reasons)
    second = float(found.second_time[0])
    return GateView(
        settings=gate,
        begin=begin,
        end=end,
        time=time,
        level=level,
        amplitude=amplitude if math.isfinite(amplitude) else None,
        second_time=second if math.isfinite(second) else None,
        reasons=reasons,
        problem=problem,
    )


def _level(measure: EchoMeasure, amplitude: float, trace: float) -> float:
    """Return the level of the measured point; between two samples the trace is a straight line."""
    match measure:
        case EchoMeasure.ZERO_CROSSING:
            return 0.0
        case EchoMeasure.PEAK:  # the top of a parabola is above that line
            return math.copysign(amplitude, trace)
        case _:
            return trace


def _problem(echoes: Echoes, settings: EchoSettings, gates: dict[str, GateView]) -> str:
    """Return what is wrong with the gates that give the time of flight, the first one's first."""
    needed = [*settings.time_of_flight]
    if settings.interface is not None:
        needed.insert(0, settings.interface)
    for name in needed:
        if problem := gates[name].problem:
            return f"gate '{name}': {problem}"
    return "" if echoes.found[0] else "the echoes are in the wrong order: move the gates"
