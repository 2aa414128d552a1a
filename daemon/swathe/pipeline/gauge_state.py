"""What a gauge sends at this moment, for a live view; nothing in the pipeline depends on it."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.calibration import ThicknessLaw
from swathe.calibration.law import fill_thickness
from swathe.echo import AscanView, view_ascan
from swathe.pipeline.placing.device import DeviceLink
from swathe_drivers import WaveformFormat

__all__ = ["STRIP_SECONDS", "GaugeMonitor", "GaugeState", "StripColumn"]

STRIP_SECONDS = 60
"""So much of the past a strip shows."""

_COLUMN_NS = 500_000_000
_COLUMNS = STRIP_SECONDS * 1_000_000_000 // _COLUMN_NS
_RATE_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class StripColumn:
    """Readings of half a second.

    Attributes:
        low: lowest valid value, mm or µs; None without one.
        high: highest valid value; None likewise.
        invalid: readings without an echo.
    """

    low: float | None
    high: float | None
    invalid: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GaugeState:
    """The newest reading of a gauge, and how readings come.

    Attributes:
        device: its name.
        port: ``open``, ``lost``, ...
        detail: why, in words.
        readings: how many came so far.
        rate: readings per second over the last two seconds; None until they are over.
        age: of the newest reading, s; None before any.
        thickness: of the newest reading, mm; None without an echo, or without a calibration.
        time_of_flight: of the newest reading, µs; None without an echo, or where none is sent.
        amplitude: of the newest reading, % of full screen height; None where none is sent.
        ascan: of the newest reading; None where none is sent.
        problem: why there is no thickness, or one that is not to be trusted; empty otherwise.
        strip: the last minute in columns of half a second, the newest last; None where nothing came.
        strip_unit: of the strip's values, ``mm`` or ``µs``.
    """

    device: str
    port: str
    detail: str
    readings: int
    rate: float | None
    age: float | None
    thickness: float | None
    time_of_flight: float | None
    amplitude: float | None
    ascan: AscanView | None
    problem: str
    strip: tuple[StripColumn | None, ...]
    strip_unit: str


class GaugeMonitor:
    """Looks at a gauge from time to time.

    Args:
        device: its name.
        law: from time of flight to thickness; None without a calibration that applies.
        no_law: why there is none, in words.
    """

    def __init__(self, device: str, law: ThicknessLaw | None, *, no_law: str = "") -> None:
        self._device = device
        self._law, self._no_law = law, no_law
        self._counts: deque[tuple[int, int]] = deque()
        self._columns: dict[int, list[float]] = {}
        self._seen = -1
        self._unit = "mm"

    def set_law(self, law: ThicknessLaw | None, *, no_law: str = "") -> None:
        """Have another law in force; the strip of values begins again."""
        if law != self._law:
            self._columns.clear()
        self._law, self._no_law = law, no_law

    def look(self, link: DeviceLink, now: int) -> GaugeState:
        """Return the state of the gauge.

        Args:
            link: of the gauge.
            now: journal time, ns.
        """
        newest = link.newest
        self._count(link.tally.readings, now)
        readings = newest.readings.copy()
        fill_thickness(readings, self._law)
        self._add(readings, newest.known)
        ascan = self._ascan(link)
        last = None if not readings.size else self._last(link, ascan, readings)
        valid = last is not None and bool(last["valid"][0])
        flight = _finite(last, "time_of_flight") if valid else None
        thickness = _finite(last, "thickness") if valid else None
        if thickness is not None and thickness <= 0:
            thickness = None
        return GaugeState(
            device=self._device,
            port=link.tally.state,
            detail=link.tally.detail,
            readings=link.tally.readings,
            rate=self._rate(),
            age=max(now - int(newest.known[-1]), 0) / 1e9 if last is not None else None,
            thickness=thickness,
            time_of_flight=flight,
            amplitude=_finite(last, "amplitude"),
            ascan=ascan,
            problem=self._problem(link, ascan, valid=valid, flight=flight, thickness=thickness),
            strip=self._strip(now),
            strip_unit=self._unit,
        )

    def _last(
        self, link: DeviceLink, ascan: AscanView | None, readings: NDArray[Any]
    ) -> NDArray[Any]:
        """Return the newest reading, shape (1,): of an A-scan, as the gates in force measure it.

        Gates may have been changed since it came.
        """
        last: NDArray[Any] = link.newest.readings[-1:].copy()
        if ascan is None or link.echo is None:
            last["thickness"] = readings["thickness"][-1:]
            return last
        good = ascan.time_of_flight is not None and (
            link.echo.allow_saturated or not ascan.saturated
        )
        last["valid"] = link.newest.sent_valid and good
        last["time_of_flight"] = ascan.time_of_flight if good else math.nan
        last["amplitude"] = math.nan if ascan.amplitude is None else ascan.amplitude
        still_valid = last["valid"].copy()
        fill_thickness(last, self._law)
        last["valid"] = still_valid  # whether there is a law is another matter
        return last

    def _ascan(self, link: DeviceLink) -> AscanView | None:
        form: WaveformFormat | None = link.decoder.waveform
        if form is None or link.echo is None or link.newest.waveform is None:
            return None
        percent = (link.newest.waveform.astype(np.float32) - np.float32(form.zero)) * np.float32(
            100 / form.full_scale
        )
        return view_ascan(
            percent,
            interval_us=form.interval_us,
            start_us=form.start_us,
            settings=link.echo,
            zero_offset_us=link.zero_offset_us,
        )

    def _problem(
        self,
        link: DeviceLink,
        ascan: AscanView | None,
        *,
        valid: bool,
        flight: float | None,
        thickness: float | None,
    ) -> str:
        """Return why there is no thickness to be trusted."""
        if link.tally.state not in ("open", "closed"):
            detail = f": {link.tally.detail}" if link.tally.detail else ""
            return f"the port is {link.tally.state}{detail}"
        if not link.newest.readings.size:
            came = f"{link.tally.bytes:,} bytes came, but no reading: try `swathe check`"
            return came if link.tally.bytes else "no byte came yet: is it on, and the cable right?"
        if ascan is not None and ascan.problem:
            return ascan.problem
        if not valid:
            return "the instrument reports no echo"
        if thickness is None:
            return self._no_law if flight is not None and self._law is None else "no wall so thin"
        return ""

    def _count(self, readings: int, now: int) -> None:
        self._counts.append((now, readings))
        while len(self._counts) > 2 and self._counts[1][0] <= now - _RATE_NS:
            self._counts.popleft()

    def _rate(self) -> float | None:
        (begin, before), (end, after) = self._counts[0], self._counts[-1]
        return (after - before) / (end - begin) * 1e9 if end - begin >= _RATE_NS else None

    def _add(self, readings: NDArray[Any], known: NDArray[np.int64]) -> None:
        """Put the readings that are new into their columns of the strip."""
        fresh = known > self._seen
        if not fresh.any():
            return
        self._seen = int(known[-1])
        unit = "mm" if np.isfinite(readings["thickness"][fresh]).any() else self._unit
        if self._law is None and not np.isfinite(readings["thickness"]).any():
            unit = "µs" if np.isfinite(readings["time_of_flight"]).any() else unit
        if unit != self._unit:
            self._unit = unit
            self._columns.clear()
        value = readings["thickness" if unit == "mm" else "time_of_flight"]
        good = readings["valid"] & np.isfinite(value) if unit == "mm" else np.isfinite(value)
        for at, one, is_good in zip(
            known[fresh].tolist(), value[fresh].tolist(), good[fresh].tolist(), strict=True
        ):
            column = self._columns.setdefault(at // _COLUMN_NS, [math.inf, -math.inf, 0])
            if is_good:
                column[0], column[1] = min(column[0], one), max(column[1], one)
            else:
                column[2] += 1

    def _strip(self, now: int) -> tuple[StripColumn | None, ...]:
        last = now // _COLUMN_NS
        self._columns = {k: c for k, c in self._columns.items() if k > last - _COLUMNS}
        found: list[StripColumn | None] = []
        for number in range(last - _COLUMNS + 1, last + 1):
            column = self._columns.get(number)
            if column is None:
                found.append(None)
                continue
            low, high, invalid = column
            some = low <= high
            found.append(StripColumn(low if some else None, high if some else None, int(invalid)))
        return tuple(found)


def _finite(reading: NDArray[Any] | None, name: str) -> float | None:
    """Return a column of a reading, shape (1,); None where it has none."""
    if reading is None:
        return None
    value = float(reading[name][0])
    return value if math.isfinite(value) else None
