"""The fewest passes of a carriage over lines: which lines each pass covers, and with which probe.

A pass of the datum at `y` covers a line that some live probe passes closely enough, at `y` plus its
offset. The lowest line that is not covered yet must be covered by one of few passes: a search by
breadth goes through all of them and keeps the states that cover most. As long as it need not drop
any, or where each probe of each pass covers a line of its own, no cover has fewer passes (a set cover,
which in general is hard: R. Karp, Complexity of Computer Computations, 1972).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Floats, Ints

__all__ = ["Cover", "CoverPass", "cover_lines", "lines_under"]

_ROUNDING_MM = 1e-6
# States of a search, and ways to cover a line, that are kept: many for few lines, some for many.
_FEWEST_STATES, _STATES_BY_SIZE = 24, 400_000


@dataclass(frozen=True, slots=True)
class CoverPass:
    """One pass of the datum.

    Attributes:
        at: its position across the lines, mm.
        lines: each line under a probe, and the place of that probe among the offsets.
    """

    at: float
    lines: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Cover:
    """Passes that cover lines.

    Attributes:
        passes: rising by position; round a pipe within one turn.
        unreached: lines that no pass covers.
        fewest: whether it is known that no cover has fewer passes.
    """

    passes: tuple[CoverPass, ...]
    unreached: tuple[int, ...]
    fewest: bool


def lines_under(
    at: Floats, lines: Floats, offsets: Floats, *, off_centre: float, period: float | None = None
) -> tuple[Ints, Floats]:
    """Return the line under each probe, -1 where there is none, and how far off it is.

    Args:
        at: positions of the datum across the lines, mm, shape (n,).
        lines: positions of the lines, mm, rising, shape (m,).
        offsets: of the probes, mm, shape (k,).
        off_centre: how far from a line a probe still covers it, mm.
        period: circumference of the axis across, mm; None where there is none.

    Returns:
        Both of shape (n, k).
    """
    place = at[:, None] + offsets[None]
    known = lines
    if period is not None:
        place = lines[0] + np.mod(place - lines[0], period)
        known = np.append(lines, lines[0] + period)
    upper = np.clip(np.searchsorted(known, place), 1, max(known.size - 1, 1))
    lower = upper - 1
    upper = np.minimum(upper, known.size - 1)
    nearest = np.where(place - known[lower] <= known[upper] - place, lower, upper)
    off = np.abs(place - known[nearest])
    return np.where(off <= off_centre + _ROUNDING_MM, nearest % lines.size, -1), off


def cover_lines(
    lines: Floats,
    offsets: Floats,
    *,
    off_centre: float,
    allowed: tuple[float, float] = (-math.inf, math.inf),
    places: Floats | None = None,
    period: float | None = None,
    overlap: float = 0.0,
    usable: Callable[[float], bool] | None = None,
) -> Cover:
    """Return the fewest passes over lines, as far as a search finds them.

    Args:
        lines: positions to cover, mm, rising, shape (m,).
        offsets: of the live probes across the lines, mm, shape (k,).
        off_centre: how far from a line a probe still covers it, mm.
        allowed: where the datum may be, from, to, mm.
        places: the only positions that the datum can have, mm, rising; None for any.
        period: circumference of the axis across, mm; None where there is none.
        overlap: width that a pass has in common with the one below it at least, mm; less than the
            carriage is wide.
        usable: whether the datum may be driven at a position at all.
    """
    if not lines.size or not offsets.size:
        return Cover((), tuple(range(lines.size)), fewest=True)
    search = _Search(lines, offsets, off_centre, allowed, places, period, overlap, usable)
    return search.cover()


_Chain = tuple[float, "_Chain | None"]


class _Search:
    """Covers the lowest open line in each way there is; masks are whole numbers, a bit a line."""

    def __init__(
        self,
        lines: Floats,
        offsets: Floats,
        off_centre: float,
        allowed: tuple[float, float],
        places: Floats | None,
        period: float | None,
        overlap: float,
        usable: Callable[[float], bool] | None,
    ) -> None:
        self._lines, self._offsets, self._off = lines, offsets, off_centre
        self._allowed, self._places, self._period = allowed, places, period
        self._usable = usable
        self._keep = max(_FEWEST_STATES, _STATES_BY_SIZE // (lines.size * offsets.size))
        self._dropped = False
        # A pass shares with the one below it what the probes at its lower end cover: these do not
        # count, except where nothing is below.
        self._counts = (offsets >= offsets.min() + overlap - _ROUNDING_MM).tolist()
        lowest = lines < lines[0] + overlap - _ROUNDING_MM
        self._lowest = (lowest & (period is None)).tolist()
        begins = np.unique(np.round(lines[:, None] - offsets[None] - off_centre, 7).ravel())
        begins = begins if places is None else places
        if period is not None:
            begins = np.sort((begins[None] + period * np.arange(-2.0, 3.0)[:, None]).ravel())
        elif places is None:
            begins = np.unique(np.append(begins, [at for at in allowed if math.isfinite(at)]))
        self._begins = begins
        self._known: dict[int, list[tuple[int, float]]] = {}

    def cover(self) -> Cover:
        """Search."""
        count = self._lines.size
        unreached = [line for line in range(count) if not self._covering(line)]
        full = (1 << count) - 1
        level: dict[int, _Chain | None] = {sum(1 << line for line in unreached): None}
        while full not in level:
            found: dict[int, _Chain | None] = {}
            for mask, chain in level.items():
                rest = ~mask & full
                lowest = (rest & -rest).bit_length() - 1
                for more, at in self._covering(lowest):
                    found.setdefault(mask | more, (at, chain))
            if len(found) > self._keep and full not in found:
                self._dropped = True
                best = sorted(found, key=lambda mask: (-mask.bit_count(), -(~mask & (mask + 1))))
                found = {mask: found[mask] for mask in best[: self._keep]}
            level = found
        passes: list[CoverPass] = []
        chain = level[full]
        while chain is not None:
            passes.append(self._centred(chain[0]))
            chain = chain[1]
        passes.sort(key=lambda one: one.at)
        fewest = not self._dropped or len(passes) == self._bound(unreached)
        return Cover(tuple(passes), tuple(unreached), fewest)

    def _bound(self, unreached: list[int]) -> int:
        """Return a number of passes below which no cover is.

        A pass covers as many lines as it has probes. Where the probes are whole numbers of lines
        apart, a pass covers lines of one remainder only.
        """
        apart = 1
        if self._lines.size > 1 and self._offsets.size > 1 and self._places is None:
            pitch = float(np.diff(self._lines).min())
            steps = np.diff(np.sort(self._offsets)) / pitch
            even = np.abs(np.diff(self._lines) / pitch - 1).max() < _ROUNDING_MM
            if (
                even
                and np.abs(steps - np.round(steps)).max() < _ROUNDING_MM
                and self._off < pitch / 2
            ):
                apart = math.gcd(*np.round(steps).astype(int).tolist())
                apart = apart if self._period is None else math.gcd(apart, self._lines.size)
        lost = set(unreached)
        counts = [0] * max(apart, 1)
        for line in range(self._lines.size):
            counts[line % len(counts)] += line not in lost
        return sum(-(-each // self._offsets.size) for each in counts)

    def _covering(self, line: int) -> list[tuple[int, float]]:
        """Return the passes that cover a line, without those of which another one covers more."""
        if line not in self._known:
            self._known[line] = self._find(line)
        return self._known[line]

    def _find(self, line: int) -> list[tuple[int, float]]:
        middle = self._lines[line] - self._offsets
        reach = self._off + 2 * _ROUNDING_MM
        first = np.searchsorted(self._begins, middle - reach)
        last = np.searchsorted(self._begins, middle + reach)
        near = [self._begins[a:b] for a, b in zip(first.tolist(), last.tolist(), strict=True)]
        at = np.unique(np.concatenate(near))
        at = at[self._may_be(at)]
        # All lines below are covered when this one is the lowest open one: only what is above counts.
        by_mask: dict[int, tuple[int, float]] = {}
        for mask, place in zip(self._masks(at), at.tolist(), strict=True):
            above = mask >> line
            if above & 1 and (above not in by_mask or mask.bit_count() > by_mask[above][0]):
                by_mask[above] = mask.bit_count(), place
        kept: list[tuple[int, float]] = []
        for above in sorted(by_mask, key=lambda mask: (-mask.bit_count(), mask)):
            if len(kept) == self._keep:
                self._dropped = True
                break
            if all(above & ~(other >> line) for other, _ in kept):
                kept.append((above << line, by_mask[above][1]))
        return kept

    def _may_be(self, at: Floats) -> Bools:
        low, high = self._allowed
        if self._period is None or not math.isfinite(low):
            within = (at >= low - _ROUNDING_MM) & (at <= high + _ROUNDING_MM)
        else:
            turns = np.ceil((low - at - _ROUNDING_MM) / self._period)
            within = at + turns * self._period <= high + _ROUNDING_MM
        if self._usable is not None:
            within &= np.array([self._usable(each) for each in at.tolist()], bool)
        return np.asarray(within)

    def _under(self, at: Floats) -> tuple[Ints, Floats]:
        return lines_under(
            at, self._lines, self._offsets, off_centre=self._off, period=self._period
        )

    def _masks(self, at: Floats) -> list[int]:
        """Return what a pass at each position covers, without what is only its overlap."""
        masks: list[int] = []
        for row in self._under(at)[0].tolist():
            mask = 0
            for line, counts in zip(row, self._counts, strict=True):
                if line >= 0 and (counts or self._lowest[line]):
                    mask |= 1 << line
            masks.append(mask)
        return masks

    def _pass(self, at: float) -> CoverPass:
        under, off = self._under(np.array([at]))
        nearest: dict[int, tuple[float, int]] = {}
        for probe, (line, way) in enumerate(zip(under[0].tolist(), off[0].tolist(), strict=True)):
            if line >= 0:
                nearest[line] = min(nearest.get(line, (math.inf, 0)), (way, probe))
        return CoverPass(at, tuple((line, nearest[line][1]) for line in sorted(nearest)))

    def _centred(self, at: float) -> CoverPass:
        """Return a pass where its probes are nearest to the middle of their lines."""
        one = self._pass(at)
        if self._places is not None:
            return one
        ways = [self._lines[line] - self._offsets[probe] - at for line, probe in one.lines]
        if self._period is not None:
            ways = [(way + self._period / 2) % self._period - self._period / 2 for way in ways]
        better = np.array([round(at + (min(ways) + max(ways)) / 2, 9)])
        if self._period is None:
            better = np.clip(better, *self._allowed)
        same = self._masks(better) == self._masks(np.array([at]))
        return self._pass(float(better[0])) if same and self._may_be(better)[0] else one
