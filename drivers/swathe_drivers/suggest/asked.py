"""What was asked for, or read off the display, and is not in a proposed description."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.abc import Decoder
from swathe_drivers.records import Batch
from swathe_drivers.suggest.display import LENGTHS, shown_text
from swathe_drivers.suggest.findings import Basis, Finding
from swathe_drivers.suggest.hints import Hints, Shown
from swathe_drivers.suggest.series import unwrapped

__all__ = ["unmet"]

_NOW: Final = 1.5  # s around the moment at which a display was read
_CLOSE: Final = 0.6  # s; displays are refreshed about twice a second
_VALUES: Final = frozenset({"thickness", "time_of_flight"})
_PLACES: Final = frozenset({"counts", "position"})
_VELOCITIES: Final = np.arange(1500.0, 7000.0, 10.0)
"""m/s, of plastics to steel and aluminium (common practice, no source)."""
_LEAST_SPREAD: Final = (
    0.05  # of the numbers: those that differ by less meet a velocity chosen for them
)
_FEWEST: Final = 3  # a line passes through any two


def unmet(
    findings: Sequence[Finding], decoder: Decoder, batch: Batch, hints: Hints, start_ns: int
) -> tuple[str, ...]:
    """Say what was asked for or shown and is not in what a proposed description decodes.

    Args:
        findings: of the description.
        decoder: of the description.
        batch: what it made of the capture.
        hints: what was asked for and shown.
        start_ns: time of the first bytes, ns.

    Returns:
        A sentence for each; empty where all is there.
    """
    missing: list[str] = []
    has_value = bool(_VALUES & decoder.gives)
    if hints.contents in ("both", "encoder") and not decoder.axes:
        missing.append(f"a position was asked for (--sends {hints.contents}), and none was found")
    if hints.contents in ("both", "gauge") and not has_value:
        missing.append(
            f"a thickness or time of flight was asked for (--sends {hints.contents}), and none was found"
        )
    values = tuple(one for one in hints.of("thickness") if one.value)
    if has_value:
        missing += _without_value(findings, decoder, batch, values, start_ns)
    elif values:
        missing.append(f"the display's {_listed(values)}: no thickness and no time of flight")
    places = hints.of("position")
    if decoder.axes:
        missing += _without_place(findings, decoder, batch, places, start_ns)
    elif places:
        missing.append(f"the display's position {_listed(places)}: no position")
    heights = tuple(one for one in hints.of("amplitude") if one.value)
    if heights and not (
        "amplitude" in decoder.gives and _has_heights(batch.readings, heights, start_ns)
    ):
        missing.append(f"the display's {_listed(heights)}: no amplitude gives it")
    return tuple(missing)


def _listed(shown: Sequence[Shown]) -> str:
    return " and ".join(dict.fromkeys(shown_text(one) for one in shown))


def _basis(findings: Sequence[Finding], words: frozenset[str]) -> Basis | None:
    """What the surest of the findings in use rests on; None if there is none."""
    bases = [
        one.basis
        for one in findings
        if words & set(one.what.split()) and not one.why.endswith("as there is a better one")
    ]
    return next((basis for basis in Basis if basis in bases), None)


def _without_value(
    findings: Sequence[Finding],
    decoder: Decoder,
    batch: Batch,
    shown: tuple[Shown, ...],
    start_ns: int,
) -> list[str]:
    if not shown:
        if _basis(findings, _VALUES) is Basis.LIKELY:
            return [
                "a number of the display for the measured value, which is only likely: --shows '12.41 mm'"
            ]
        return []
    valid = batch.readings[batch.readings["valid"]]
    if "thickness" in decoder.gives:
        absent = [one for one in shown if not _near_value(valid, one, start_ns)]
        return [f"the display's {_listed(absent)}: no thickness was it then"] if absent else []
    possible = np.ones(_VELOCITIES.size, np.bool_)
    for one in shown:
        flights = _at(valid["time_of_flight"], valid["time"], one, start_ns, _NOW)
        walls = np.multiply.outer(_VELOCITIES, flights) * 5e-4  # m/s and µs to mm, out and back
        size = LENGTHS.get(one.unit, 1.0)
        away = np.abs(walls - one.value * size)
        # The step of the velocities is a part of it.
        room = 2.04 * one.half_digit * size + 5e-4 * 5.0 * flights
        possible &= (away <= room).any(axis=1)
    if not possible.any():
        return [f"the display's {_listed(shown)}: no velocity makes them of the time of flight"]
    sizes = [one.value for one in shown]
    if max(sizes) - min(sizes) < _LEAST_SPREAD * max(sizes):
        say = (
            f"what checks the time of flight: a velocity can be chosen for the display's {_listed(shown)};"
            " read the display on a thin and on a thick place"
        )
        return [say]
    return []


def _near_value(valid: NDArray[Any], one: Shown, start_ns: int) -> bool:
    values = _at(valid["thickness"], valid["time"], one, start_ns, _NOW)
    sizes = (LENGTHS[one.unit],) if one.unit in LENGTHS else (1.0, LENGTHS["in"])
    return any(
        bool((np.abs(values - one.value * size) <= 2.04 * one.half_digit * size).any())
        for size in sizes
    )


def _has_heights(readings: NDArray[Any], shown: tuple[Shown, ...], start_ns: int) -> bool:
    """Only percent are compared: what a dB is relative to the bytes do not say."""
    known = readings[np.isfinite(readings["amplitude"])]
    return all(
        one.unit == "dB"
        or bool(
            (
                np.abs(_at(known["amplitude"], known["time"], one, start_ns, _NOW) - one.value)
                <= 2.04 * one.half_digit
            ).any()
        )
        for one in shown
    )


def _without_place(
    findings: Sequence[Finding],
    decoder: Decoder,
    batch: Batch,
    shown: tuple[Shown, ...],
    start_ns: int,
) -> list[str]:
    met = [
        _place_met(decoder, batch.positions, number, axis, shown, start_ns)
        for number, axis in enumerate(decoder.axes)
    ]
    if any(met):
        return []
    if shown and all(one is False for one in met):
        return [f"the display's position {_listed(shown)}: no axis moves as it says"]
    if _basis(findings, _PLACES) is Basis.LIKELY:
        say = (
            "what checks the position, which is only likely: three numbers of the display at different places,"
            " --shows 'position=310.5 mm @ 5 s'"
        )
        return [say]
    return []


def _place_met(
    decoder: Decoder,
    positions: NDArray[Any],
    number: int,
    axis: str,
    shown: tuple[Shown, ...],
    start_ns: int,
) -> bool | None:
    """Whether an axis is what the display shows; None where that is open."""
    if not shown or not positions.size:
        return None
    values = positions["counts"][:, number].astype(np.float64)
    times = positions["time"]
    if axis in decoder.length_axes:
        sizes = [LENGTHS.get(one.unit, 1.0) for one in shown]
        return all(
            bool(
                (
                    np.abs(_at(values, times, one, start_ns, _NOW) - one.value * size)
                    <= 2.04 * one.half_digit * size
                ).any()
            )
            for one, size in zip(shown, sizes, strict=True)
        )
    period = decoder.count_periods.get(axis)
    values, _ = unwrapped(values, period) if period is not None else (values, None)
    spans = [_at(values, times, one, start_ns, _CLOSE) for one in shown]
    if any(not one.size for one in spans):
        return None
    low = np.array([one.min() for one in spans])
    high = np.array([one.max() for one in spans])
    wanted = np.array([one.value for one in shown])
    room = 2.0 * max(one.half_digit for one in shown)
    if not (_on_a_line(low, high, wanted, room) or _on_a_line(-high, -low, wanted, room)):
        return False
    return True if np.unique(wanted).size >= _FEWEST else None


def _on_a_line(
    low: NDArray[np.float64], high: NDArray[np.float64], wanted: NDArray[np.float64], room: float
) -> bool:
    """Whether some rising line passes through all of what was shown.

    `wanted[i] - room <= slope * high[i] + offset` and `slope * low[j] + offset <= wanted[j] + room` together
    bound the slope for each i and j, whatever the offset.
    """
    run = high[:, np.newaxis] - low[np.newaxis, :]
    rise = wanted[:, np.newaxis] - wanted[np.newaxis, :] - 2.0 * room
    if (rise[run == 0] > 0).any():
        return False
    ups, downs = run > 0, run < 0
    least = max(0.0, float((rise[ups] / run[ups]).max(initial=0.0)))
    most = float((rise[downs] / run[downs]).min(initial=np.inf))
    return least <= most and most > 0


def _at(
    values: NDArray[Any], times: NDArray[np.int64], one: Shown, start_ns: int, within: float
) -> NDArray[np.float64]:
    """The values about when the display was read; the nearest five where there are hardly any."""
    if not times.size:
        return np.empty(0)
    at = int(times[-1]) if one.at is None else start_ns + round(one.at * 1e9)
    away = np.abs(times - at)
    near = np.flatnonzero(away <= within * 1e9)
    if near.size < _FEWEST:
        near = np.argsort(away, kind="stable")[:5]
    return values[near].astype(np.float64)
