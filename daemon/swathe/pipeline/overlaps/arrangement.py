"""Whether the probes are where the station says, as far as overlapping passes show it.

Where two passes overlap, a probe of one and a probe of the other read the same wall: along the scan
axis the difference of what they read has the spread of the readings. If probes are exchanged, or an offset has
the wrong sign, they read different rows, and the spread is that of the wall. Each arrangement
of the probes that a slip of the hand makes is compared with the stated one by that spread; one is
reported only where the stated one does not fit, this one fits, and the wall has enough shape to show it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from swathe.arrays import Floats
from swathe.pipeline.overlaps.profiles import PassProfile
from swathe.station import ProbeArray

__all__ = [
    "FEWEST_COLUMNS",
    "Arrangement",
    "Misfit",
    "arrangements",
    "likelier_arrangement",
    "spread_of",
]

FEWEST_COLUMNS: Final = 30
"""Columns that both probes have read, at least. (Our choice, as all of these; no source.)"""

# By so much the variance with the stated offsets, and that of the wall, are above the one that fits.
_CLEARLY = 9.0
# By so much any other arrangement that would fit must be worse, for one to be named.
_RATHER = 3.0
# A spread that is smaller says nothing, mm.
_LEAST_SPREAD = 0.1
# A variance that is smaller is one of rounding, mm².
_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A slip of the hand, and where the probes are if it was made.

    Attributes:
        text: what was done, for people.
        offsets: of the probes along scan and index, mm, shape (probes, 2).
        changed: numbers of the probes that are elsewhere than stated.
    """

    text: str
    offsets: Floats
    changed: frozenset[int]


@dataclass(frozen=True, slots=True)
class Misfit:
    """An arrangement that fits better than the stated one.

    Attributes:
        arrangement: the likelier one.
        stated_mm: spread of the differences with the stated offsets, mm.
        spread_mm: with the arrangement.
    """

    arrangement: Arrangement
    stated_mm: float
    spread_mm: float


def arrangements(probes: ProbeArray) -> list[Arrangement]:
    """Return what can easily be mistaken in the offsets of these probes."""
    found: list[Arrangement] = []
    stated = probes.offsets
    names = [probe.name for probe in probes.probes]

    def add(text: str, offsets: Floats) -> None:
        moved = np.flatnonzero((offsets != stated).any(axis=1)).tolist()
        same = [k for k, one in enumerate(found) if np.array_equal(one.offsets, offsets)]
        if same:
            found[same[0]] = replace(found[same[0]], text=f"{found[same[0]].text}, or {text}")
        elif moved:
            found.append(Arrangement(text, offsets, frozenset(moved)))

    order = np.lexsort((stated[:, 0], stated[:, 1])).tolist()
    for one, other in pairwise(order):
        swapped = stated.copy()
        swapped[[one, other]] = stated[[other, one]]
        add(f"probes {names[one]} and {names[other]} are exchanged", swapped)
    for axis, name in enumerate(("scan", "index")):
        flipped = stated.copy()
        flipped[:, axis] *= -1
        add(f"the {name} offsets of all probes have the other sign", flipped)
        for number, probe in enumerate(names):
            single = stated.copy()
            single[number, axis] *= -1
            if len(names) > 1:
                add(f"the {name} offset of probe {probe} has the other sign", single)
    add("the carriage is turned round", -stated)
    return found


def spread_of(one: Floats, other: Floats, shift: int) -> tuple[float, float, int]:
    """Return variance of the difference of two profiles, variance of the second, and columns.

    Args:
        one: thicknesses by column, mm, NaN where there is none, shape (columns,).
        other: likewise.
        shift: columns by which the first one is moved towards higher columns.
    """
    size = one.size
    if abs(shift) >= size:
        return np.nan, np.nan, 0
    first = one[max(-shift, 0) : size - max(shift, 0)]
    second = other[max(shift, 0) : size + min(shift, 0)]
    both = np.isfinite(first) & np.isfinite(second)
    count = int(np.count_nonzero(both))
    if count < FEWEST_COLUMNS:
        return np.nan, np.nan, count
    return float(np.var(first[both] - second[both])), float(np.var(second[both])), count


def _pairs(
    arrangement: Floats,
    stated: Floats,
    passes: tuple[PassProfile, PassProfile],
    cell: tuple[float, float],
) -> Iterator[tuple[int, int, int]]:
    """Yield the probes of both passes that are on one row, and the shift of the first, in columns.

    Args:
        arrangement: offsets of the probes, mm, shape (probes, 2).
        stated: by which the readings were placed, likewise.
        passes: two.
        cell: size of a cell along scan and index, mm.
    """
    rows = np.rint(arrangement[:, 1] / cell[1]).astype(int)
    moved = np.rint((arrangement[:, 0] - stated[:, 0]) / cell[0]).astype(int)
    one, other = passes
    for j in range(rows.size):
        for k in range(rows.size):
            if one.row + rows[j] == other.row + rows[k]:
                yield j, k, int(moved[j] - moved[k])


def _variance(
    offsets: Floats,
    stated: Floats,
    passes: Sequence[tuple[PassProfile, PassProfile]],
    means: dict[int, Floats],
    cell: tuple[float, float],
    changed: frozenset[int],
) -> tuple[float, float]:
    """Return mean variance of the differences, and of the wall, over pairs with a changed probe."""
    differences, walls = [], []
    for one, other in passes:
        for j, k, shift in _pairs(offsets, stated, (one, other), cell):
            if not changed & {j, k}:
                continue
            difference, wall, _ = spread_of(means[one.row][j], means[other.row][k], shift)
            if np.isfinite(difference):
                differences.append(difference)
                walls.append(wall)
    if not differences:
        return np.nan, np.nan
    return float(np.mean(differences)), float(np.mean(walls))


def likelier_arrangement(
    probes: ProbeArray,
    known: Sequence[Arrangement],
    passes: Sequence[tuple[PassProfile, PassProfile]],
    cell: tuple[float, float],
) -> Misfit | None:
    """Return the arrangement that clearly fits better than the stated one; None without one.

    Args:
        probes: as the station has them.
        known: what may have been mistaken.
        passes: pairs of passes that may overlap.
        cell: size of a cell along scan and index, mm.
    """
    means = {one.row: one.means for pair in passes for one in pair}
    stated, everyone = probes.offsets, frozenset(range(len(probes)))
    fits: list[tuple[float, Misfit]] = []
    for one in known:
        given, _ = _variance(stated, stated, passes, means, cell, one.changed)
        found, wall = _variance(one.offsets, stated, passes, means, cell, one.changed)
        if not (np.isfinite(given) and np.isfinite(found)) or given < _LEAST_SPREAD**2:
            continue
        if _CLEARLY * max(found, _NOTHING) < min(given, wall):
            # One that is a part of the mistake leaves other pairs as they were.
            whole, _ = _variance(one.offsets, stated, passes, means, cell, everyone)
            fits.append(
                (max(whole, _NOTHING), Misfit(one, float(np.sqrt(given)), float(np.sqrt(found))))
            )
    if not fits:
        return None
    fits.sort(key=lambda fit: fit[0])
    if len(fits) > 1 and fits[1][0] < _RATHER * fits[0][0]:
        return None  # two would explain it: nobody knows which one
    return fits[0][1]
