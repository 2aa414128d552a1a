"""From A-scans to times of flight, many at once."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats
from swathe.echo.envelope import analytic_signal
from swathe.echo.gates import check_gates, first_sample, width_samples
from swathe.echo.noise import noise_of
from swathe.echo.reasons import AmbiguityReason
from swathe.echo.search import GateEchoes, Record, search
from swathe.echo.settings import EchoMode, EchoSettings, GateSettings

__all__ = ["Echoes", "measure"]

# A-scans that are worked on together: what is made of them stays in a core's cache.
_BLOCK = 256


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Echoes:
    """Echoes of n A-scans, columns of shape (n,).

    Attributes:
        time_of_flight: µs; NaN where it was not found.
        amplitude: of the back wall's echo, for echo to echo the first one's; without an echo the
            highest in its gate; % of full screen height, NaN where its gate follows an echo that
            is not there.
        found: whether there is a time of flight.
        saturated: whether the converter clipped in an echo that the time of flight is taken from:
            its time of flight is not to be trusted.
        interface_time: time of the interface's echo, µs from time zero; NaN where there is none.
        reasons: why the time of flight is ambiguous, bits of `AmbiguityReason`; 0 where it is not.
        gates: what each gate shows, by its name.
    """

    time_of_flight: Floats
    amplitude: Floats
    found: Bools
    saturated: Bools
    interface_time: Floats
    reasons: NDArray[np.uint8]
    gates: dict[str, GateEchoes]

    @property
    def ambiguous(self) -> Bools:
        """Whether the time of flight may be that of another echo, or off by a cycle."""
        return np.asarray(self.reasons != 0)

    def reason_counts(self, rows: Bools) -> dict[str, int]:
        """Return how many of the A-scans in `rows`, shape (n,), are ambiguous for each reason.

        The reasons are the names of `AmbiguityReason` as words; those for which none is are left
        out.
        """
        reasons = self.reasons[rows]
        if not reasons.any():
            return {}
        return {
            reason.words: count
            for reason in AmbiguityReason
            if (count := int(np.count_nonzero(reasons & np.uint8(reason))))
        }


def measure(
    waveforms: NDArray[Any],
    *,
    interval_us: float,
    start_us: float,
    settings: EchoSettings,
    zero_offset_us: float = 0.0,
) -> Echoes:
    """Measure A-scans by the gates of `settings`.

    Each A-scan is measured by itself: what comes out does not depend on which ones are given
    together. One with a NaN in it has no echo.

    Args:
        waveforms: % of full screen height, signed unless the settings say rectified, shape
            (n, samples).
        interval_us: between two samples, µs.
        start_us: time of the first sample, µs.
        settings: the table ``[echo]``.
        zero_offset_us: that every time of flight has in it, µs: from it the repeats of an echo are
            known, where they follow neither an interface's echo nor another back wall's.

    Raises:
        ValueError: the A-scans are not of shape (n, samples), or a gate does not lie within them;
            ask `check_gates` before the scan and change the gates accordingly.
    """
    data = np.asarray(waveforms, np.float32)
    if data.ndim != 2:
        msg = f"'waveforms' must have the shape (n, samples) (got {data.shape})"
        raise ValueError(msg)
    problems = check_gates(
        settings, interval_us=interval_us, start_us=start_us, samples=data.shape[1]
    )
    if problems:
        raise ValueError("; ".join(str(problem) for problem in problems))
    # Even without an A-scan there is a block, for the columns that come of it.
    blocks = [
        _gates_of(data[at : at + _BLOCK], interval_us, start_us, settings, zero_offset_us)
        for at in range(0, max(data.shape[0], 1), _BLOCK)
    ]
    return _flights(
        {gate.name: _joined([b[gate.name] for b in blocks]) for gate in settings.gate}, settings
    )


def _gates_of(
    data: NDArray[np.float32],
    interval_us: float,
    start_us: float,
    settings: EchoSettings,
    zero_offset_us: float,
) -> dict[str, GateEchoes]:
    """Return what the gates show in a block of A-scans, times in µs."""
    record = _record(data, interval_us, settings)
    found: dict[str, GateEchoes] = {}
    for gate in settings.gate:
        parent = settings.parent(gate)
        if parent is None:
            first: Any = first_sample(gate.start, interval_us=interval_us, start_us=start_us)
        else:
            first = _first_samples(found[parent].time + gate.start, interval_us, start_us)
        before = _echo_before(gate, settings)
        origin = zero_offset_us if before is None else found[before].time
        seen = search(
            record,
            gate,
            first,
            width_samples(gate, interval_us),
            (origin - start_us) / interval_us,
        )
        found[gate.name] = replace(
            seen,
            time=start_us + interval_us * seen.time,
            second_time=start_us + interval_us * seen.second_time,
        )
    return found


def _echo_before(gate: GateSettings, settings: EchoSettings) -> str | None:
    """Return the gate whose echo is one repeat before that of `gate`; None is time zero.

    That is the first back wall's for the second one, and the interface's for the first.
    """
    if settings.mode is EchoMode.ECHO_TO_ECHO and gate.name == settings.time_of_flight[1]:
        return settings.time_of_flight[0]
    if gate.name == settings.interface:
        return None
    return settings.interface or settings.parent(gate)


def _record(data: NDArray[np.float32], interval_us: float, settings: EchoSettings) -> Record:
    """Return a block of A-scans with their envelopes."""
    if settings.rectified:
        return Record(
            raw=data,
            signal=data,
            analytic=None,
            envelope=data,
            noise=noise_of(data),
            saturation=settings.saturation,
        )
    analytic = analytic_signal(data, interval_us=interval_us, band=settings.band)
    signal = data if settings.band is None else np.ascontiguousarray(analytic.real)
    return Record(
        raw=data,
        signal=signal,
        analytic=analytic,
        envelope=np.abs(analytic),
        noise=noise_of(signal),
        saturation=settings.saturation,
    )


def _first_samples(time_us: Floats, interval_us: float, start_us: float) -> NDArray[np.int64]:
    """Return the first sample at or after each time; -1 for NaN."""
    known = np.isfinite(time_us)
    at = np.where(known, (time_us - start_us) / interval_us, -1.0)
    return np.ceil(at).astype(np.int64)


def _joined(parts: list[GateEchoes]) -> GateEchoes:
    """Return the columns of several blocks as one."""
    return GateEchoes(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(GateEchoes)
        }
    )


def _flights(gates: dict[str, GateEchoes], settings: EchoSettings) -> Echoes:
    """Return the times of flight between the echoes that the mode names."""
    wall = gates[settings.time_of_flight[0]]
    interface = gates[settings.interface] if settings.interface is not None else None
    interface_time = interface.time if interface is not None else np.full(wall.time.shape, np.nan)
    if settings.mode is EchoMode.ECHO_TO_ECHO:
        second = gates[settings.time_of_flight[1]]
        flight = second.time - wall.time
        used = [wall, second]
    elif interface is not None:
        flight = wall.time - interface.time
        used = [wall, interface]
    else:
        flight = wall.time
        used = [wall]
    found = flight > 0  # which NaN is not
    reasons: NDArray[np.uint8] = np.bitwise_or.reduce([gate.reasons for gate in used])
    return Echoes(
        time_of_flight=np.where(found, flight, np.nan),
        amplitude=wall.amplitude,
        found=found,
        saturated=np.logical_or.reduce([gate.saturated for gate in used]),
        interface_time=interface_time,
        reasons=np.where(found, reasons, np.uint8(0)),
        gates=gates,
    )
