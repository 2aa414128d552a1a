"""CellDifferences of two surveys cell by cell, with what is uncertain in each and in all together.

The grid is that of the later survey. Of the earlier one the value at the same place of the part is
interpolated between its four cells around it. A pair requires all of them: unmeasured, suspect,
unconfirmed and excluded cells are in none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats, Ints
from swathe.comparison.cell_map import CellMap
from swathe.comparison.rates import Estimate, estimate
from swathe.comparison.registration import Registration
from swathe.comparison.sampling import nodes_of, smoothed
from swathe.comparison.survey_errors import SurveyErrors
from swathe.errors import SwatheError

__all__ = ["CellDifferences", "differences_of"]

_CELLS_AT_A_TIME: Final = 500_000
# Interpolated values two cells apart share no cell.
_LAG: Final = 2
_BLOCK: Final = 8
_LEAST_BLOCKS: Final = 8
_LEAST_NEIGHBOURS: Final = 30
_MAD_TO_SD: Final = 1.4826
_SMALLEST_MM: Final = 1e-6
# Curvature and slopes are taken from a map smoothed by a cell, or they would be of noise.
_SMOOTHING: Final = 1.0


@dataclass(frozen=True, slots=True)
class CellDifferences:
    """Later less earlier thickness over the cells of the later survey; arrays have the shape (index, scan).

    Below zero the wall reads thinner than before. NaN is no pair.

    Attributes:
        earlier: map of the earlier survey.
        later: map of the later survey.
        registration: by which places were paired.
        values: differences, mm.
        before: thickness of the earlier survey at the same places, mm.
        random: standard uncertainty that is apart for each cell, mm.
        shared: of what all cells of a survey share, both surveys together, mm; NaN where it is not
            known.
        shared_dof: its degrees of freedom.
        slopes: of the differences by scan shift (mm/mm), index shift, rotation (mm/radian), shape
            (3, index, scan); None where nothing is known of how far these are off.
        scatter: standard deviation by which cells next to each other scatter more than readings and
            places explain, mm; it is in `random`.
        joined: by how much the variance of a mean over many cells is more than that of as many
            cells apart, 1 or more: errors that neighbours or whole lines share.
        missing: why no interval is stated; empty where one is.
    """

    earlier: CellMap
    later: CellMap
    registration: Registration
    values: Floats
    before: Floats
    random: Floats
    shared: Floats
    shared_dof: float
    slopes: Floats | None
    scatter: float
    joined: float
    missing: str

    @property
    def pairs(self) -> Bools:
        """Where there is a pair."""
        return np.isfinite(self.values)

    @property
    def registered(self) -> Floats:
        """Standard uncertainty of each difference by that of the registration, mm."""
        if self.slopes is None:
            return np.zeros(self.values.shape)
        square = np.einsum("kij,kl,lij->ij", self.slopes, self.registration.covariance, self.slopes)
        return np.asarray(np.sqrt(np.maximum(square, 0.0)))

    @property
    def standard(self) -> Floats:
        """Combined standard uncertainty of each difference, mm; NaN where it is not known."""
        return np.sqrt(self.random**2 + self.shared**2 + self.registered**2)

    @property
    def dof(self) -> Floats:
        """Effective degrees of freedom of `standard`, after Welch and Satterthwaite."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(
                self.shared > 0, self.shared_dof * (self.standard / self.shared) ** 4, math.inf
            )

    def cut(self, rows: Ints, columns: Ints) -> CellDifferences:
        """Return the differences of some rows and columns; the maps stay whole."""
        at = np.ix_(rows, columns)
        return replace(
            self,
            values=self.values[at],
            before=self.before[at],
            random=self.random[at],
            shared=self.shared[at],
            slopes=None if self.slopes is None else np.stack([one[at] for one in self.slopes]),
        )

    def mean(self, where: Bools, *, coverage: float = 0.95) -> Estimate | None:
        """Return the mean difference of the pairs that a mask marks; None without one.

        What is apart for each cell becomes smaller with their number; what all cells of a survey
        share does not.
        """
        chosen = where & self.pairs
        if not chosen.any():
            return None
        value = float(self.values[chosen].mean())
        if self.missing:
            return Estimate(value)
        own, placed = self.mean_variances(chosen)
        shared = float(self.shared[chosen].mean())
        square = own + shared**2 + placed
        dof = self.shared_dof * square**2 / shared**4 if shared > 0 else math.inf
        return estimate(value, math.sqrt(square), dof, coverage=coverage)

    def mean_variances(self, chosen: Bools) -> tuple[float, float]:
        """Return the variance of a mean over pairs by what is apart for each, and by the registration."""
        count = np.count_nonzero(chosen)
        own = self.joined * float(np.square(self.random[chosen]).sum()) / count**2
        if self.slopes is None:
            return own, 0.0
        slope = self.slopes[:, chosen].mean(axis=1)
        return own, float(slope @ self.registration.covariance @ slope)


def differences_of(
    earlier: CellMap,
    later: CellMap,
    registration: Registration,
    errors: tuple[SurveyErrors, SurveyErrors],
) -> CellDifferences:
    """Return the differences of two maps.

    Args:
        earlier: map of the earlier survey.
        later: map of the later one.
        registration: from places of the earlier to those of the later one.
        errors: of the earlier and of the later survey.

    Raises:
        SwatheError: the maps cannot be compared: no pair, or circumferences that differ.
    """
    check_turns(earlier, later, registration)
    first, second = errors
    variance = [
        np.where(
            one.counts,
            error.repeatability**2 / np.maximum(one.readings, 1)
            + error.coupling**2 / np.maximum(one.cells, 1),
            np.nan,
        )
        for one, error in ((earlier, first), (later, second))
    ]
    smooth = smoothed(earlier, _SMOOTHING, _SMOOTHING, least=0.2)
    shape, size = later.shape, later.mean.size
    before, own = np.full(size, np.nan), np.full(size, np.nan)
    known = bool(np.any(registration.covariance))
    slopes = np.zeros((3, size)) if known else None
    place = math.hypot(first.place, second.place)
    cosine, sine = math.cos(registration.radians), math.sin(registration.radians)
    columns = later.scan.cells
    for begin in range(0, size, _CELLS_AT_A_TIME):
        cells = np.arange(begin, min(begin + _CELLS_AT_A_TIME, size))
        scan = later.scan.centres[cells % columns]
        index = later.index.centres[cells // columns]
        x, y = registration.to_earlier(scan, index)
        nodes = nodes_of(earlier.scan, earlier.index, x, y)
        before[cells] = nodes.mean(earlier.mean)
        along, across, along_twice, across_twice = (
            np.nan_to_num(nodes.mean(each)) for each in smooth.derivatives
        )
        # The error of a linear interpolation at the fraction f is f (1 - f) h² / 2 times the curvature.
        f, g = nodes.fraction
        bent = f * (1 - f) / 2 * earlier.scan.resolution**2 * along_twice
        bent += g * (1 - g) / 2 * earlier.index.resolution**2 * across_twice
        own[cells] = (
            nodes.variance(variance[0])
            + variance[1].ravel()[cells]
            + np.square(bent)
            + np.square(along * place)
        )
        if slopes is not None:
            dx, dy = x - registration.centre[0], y - registration.centre[1]
            # Of later less earlier: what the earlier map changes by as its place does, with its sign.
            slopes[0, cells] = cosine * along - sine * across
            slopes[1, cells] = sine * along + cosine * across
            slopes[2, cells] = -(along * dy - across * dx)
    values = later.mean.ravel() - before
    if not np.isfinite(values).any():
        message = (
            "the surveys have no cell in common that both measured: see their axes, and the shift from "
            "one to the other"
        )
        raise SwatheError(message)
    grid = values.reshape(shape)
    random = np.sqrt(np.maximum(own, _SMALLEST_MM**2)).reshape(shape)
    random = np.where(np.isfinite(grid), random, np.nan)
    scatter = _scatter(grid)
    more = max(scatter**2 - float(np.nanmedian(np.square(random))), 0.0)
    # Cells next to each other scatter by more than their readings explain: what is left is in every cell.
    random = np.sqrt(np.square(random) + more)
    missing = next((one.missing for one in errors if one.missing), "")
    shares = first.shared_at(before.reshape(shape)), second.shared_at(later.mean)
    shared = np.hypot(*shares)
    shared = np.where(np.isfinite(grid), np.nan if missing else shared, np.nan)
    return CellDifferences(
        earlier,
        later,
        registration,
        grid,
        before.reshape(shape),
        random,
        shared,
        _shared_dof(shares, errors, grid),
        None if slopes is None else slopes.reshape(3, *shape),
        math.sqrt(more),
        _joined(grid / random),
        missing,
    )


def check_turns(earlier: CellMap, later: CellMap, registration: Registration) -> None:
    """Refuse surveys that cannot be laid over each other.

    Raises:
        SwatheError: an axis is a circumference in both and differs, or is to be rotated.
    """
    for one, other in ((earlier.scan, later.scan), (earlier.index, later.index)):
        if not (one.wrapped or other.wrapped):
            continue
        if registration.rotation:
            message = "round a full circumference no rotation is possible: give a shift only"
            raise SwatheError(message)
        turns = [axis.cells * axis.resolution for axis in (one, other) if axis.wrapped]
        if len(turns) == 2 and abs(turns[0] - turns[1]) > max(one.resolution, other.resolution) / 2:
            message = (
                f"the circumferences differ: {turns[0]:g} mm and {turns[1]:g} mm on the {one.name} axis; "
                "one of the two station files has another length"
            )
            raise SwatheError(message)


def _shared_dof(
    shares: tuple[Floats, Floats], errors: tuple[SurveyErrors, SurveyErrors], grid: Floats
) -> float:
    """Return the degrees of freedom of what both surveys' readings share, at the mean wall."""
    means = [float(one[np.isfinite(grid)].mean()) for one in shares]
    total = sum(mean**2 for mean in means)
    parts = sum(mean**4 / error.shared_dof for mean, error in zip(means, errors, strict=True))
    return max(total**2 / parts, 1.0) if parts else math.inf


def _scatter(values: Floats) -> float:
    """Return the standard deviation of differences within their neighbourhood, mm.

    A wall that changes slowly does not matter: differences of neighbours are compared, by their
    median, which a few places of strong loss do not move.
    """
    found = 0.0
    for axis in (0, 1):
        if values.shape[axis] <= _LAG:
            continue
        low = np.take(values, range(values.shape[axis] - _LAG), axis)
        high = np.take(values, range(_LAG, values.shape[axis]), axis)
        apart = (high - low)[np.isfinite(high - low)]
        if apart.size >= _LEAST_NEIGHBOURS:
            found = max(found, _MAD_TO_SD * float(np.median(np.abs(apart))) / math.sqrt(2))
    return found


def _joined(ratio: Floats) -> float:
    """Return by how much means over blocks, lines and columns vary more than of cells apart, 1 or more.

    By the median of the steps from one to the next, which a few places of strong loss do not move.
    """
    found = 1.0
    rows, columns = ratio.shape
    for height, width in ((_BLOCK, _BLOCK), (1, columns), (rows, 1)):
        shape = rows // height, columns // width
        if not all(shape) or shape[0] * shape[1] < _LEAST_BLOCKS:
            continue
        part = ratio[: shape[0] * height, : shape[1] * width]
        folded = part.reshape(shape[0], height, shape[1], width)
        known = np.isfinite(folded)
        counts = known.sum(axis=(1, 3))
        sums = np.where(known, folded, 0.0).sum(axis=(1, 3))
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.where(counts * 2 >= height * width, sums / counts, np.nan)
        apart: list[Floats] = []
        for axis in (0, 1):
            length = means.shape[axis] - 1
            step = np.diff(means, axis=axis)
            n = [np.take(counts, range(k, length + k), axis) for k in (0, 1)]
            with np.errstate(invalid="ignore", divide="ignore"):
                scaled = step / np.sqrt(1 / n[0] + 1 / n[1])
            apart.append(scaled[np.isfinite(scaled)])
        together = np.concatenate(apart)
        if together.size >= _LEAST_BLOCKS - 1:
            found = max(found, (_MAD_TO_SD * float(np.median(np.abs(together)))) ** 2)
    return found
