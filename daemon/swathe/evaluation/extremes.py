"""The probable minimum of the area that was not scanned, from the minima of equal squares.

The minima of squares that were measured whole follow a Gumbel distribution, if anything: then the
minimum of an area of m such squares follows it shifted by m (min-stability; a return period as a
ratio of areas: T. Shibata, J. Res. NIST 99, 1994; HSE Research Report 016, 2002, section 5.3.3).
Whether they do is tested, and an answer is refused with the reason where the data do not carry it.
That the area not scanned is like the one scanned no data of the latter can show: it is an assumption.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from swathe.arrays import Floats, Ints
from swathe.errors import SwatheError
from swathe.evaluation.gumbel import anderson_darling, fit_gumbel, gumbel_pivots

__all__ = ["FEWEST_SQUARES", "BlockMinima", "Extremes", "probable_minimum"]

FEWEST_SQUARES = 30
"""Of fewer squares nothing is extrapolated (common practice, no source)."""

_DRAWS = 4_000
_PERMUTATIONS = 999
_SEED = 20_261_127
# Each of the tests refuses good data so often.
_SIGNIFICANT = 0.01
_MOST_INCOMPLETE = 0.2
_FEWEST_DISTINCT = 0.5


@dataclass(frozen=True, slots=True)
class BlockMinima:
    """Minima of squares that were measured whole.

    Attributes:
        minima: mm, shape (n,).
        row: of each square in the grid of squares, shape (n,).
        column: likewise.
        area: of a square, mm².
        incomplete: squares with a reading of which a required cell is unseen; their minima are not
            known and are left out.
        wrapped: whether rows and columns of squares go round.
        shape: rows and columns of the grid of squares.
    """

    minima: Floats
    row: Ints
    column: Ints
    area: float
    incomplete: int
    shape: tuple[int, int]
    wrapped: tuple[bool, bool] = (False, False)


@dataclass(frozen=True, slots=True)
class Extremes:
    """The probable minimum of readings in an area that was not scanned.

    Figures are None where `refused` gives the reasons.

    Attributes:
        refused: why the data do not carry an answer; empty where they do.
        squares: whose minima it rests on.
        incomplete: squares that were left out, as a required cell of them is unseen.
        square_area: of a square, mm².
        area: to which it is extrapolated, mm².
        ratio: that area in squares.
        median: the minimum of that area is as often below as above it, mm.
        median_low: lower end of the confidence interval of `median`, mm.
        median_high: upper end.
        minimum_low: lower end of the prediction interval: where the minimum of that area itself is,
            mm; as all of these not below 0.
        minimum_high: upper end.
        coverage: level of confidence of both intervals, 0 to 1.
        location: of the Gumbel distribution of the minima, mm.
        scale: of that distribution, mm.
        shape: of the generalised extreme value distribution that fits best, xi of maxima of -x.
        tests: probability of each test's result if the data were sound, by the test's name.
    """

    refused: tuple[str, ...]
    squares: int
    incomplete: int
    square_area: float
    area: float
    ratio: float
    median: float | None = None
    median_low: float | None = None
    median_high: float | None = None
    minimum_low: float | None = None
    minimum_high: float | None = None
    coverage: float = 0.95
    location: float | None = None
    scale: float | None = None
    shape: float | None = None
    tests: dict[str, float] | None = None


def probable_minimum(
    blocks: BlockMinima, area: float, *, coverage: float = 0.95, seed: int = _SEED
) -> Extremes:
    """Return the probable minimum of an area, or why the data do not carry one.

    Args:
        blocks: minima of squares.
        area: that was not scanned, mm².
        coverage: level of confidence of the intervals, 0 to 1.
        seed: of the draws.

    Raises:
        SwatheError: the area or the level of confidence is none.
    """
    if not (math.isfinite(area) and area > 0 and 0 < coverage < 1):
        message = (
            f"an area above zero and a level of confidence between 0 and 1 are required "
            f"(got {area:g} mm² and {coverage:g})"
        )
        raise SwatheError(message)
    n, ratio = blocks.minima.size, area / blocks.area
    refused = _too_little(blocks, ratio)
    if refused:
        return Extremes(
            tuple(refused), n, blocks.incomplete, blocks.area, area, ratio, coverage=coverage
        )
    random = np.random.default_rng(seed)
    negated = -np.asarray(blocks.minima, np.float64)
    fit = fit_gumbel(negated)
    pivots = gumbel_pivots(n, _DRAWS, random)
    distance = float(anderson_darling(negated, fit))
    shape, better = _shape_test(negated, fit.log_likelihood(negated))
    tests = {
        "trend along the scan axis": _trend(blocks.column, negated),
        "trend along the index axis": _trend(blocks.row, negated),
        "neighbouring squares alike": _clustering(blocks, negated, random),
        "shape of the distribution": better,
        "fit of the distribution": (1 + np.count_nonzero(pivots.statistic >= distance))
        / (1 + _DRAWS),
    }
    refused = [
        f"{_WORDS[name]} (probability {probability:.2g} by chance)"
        for name, probability in tests.items()
        if probability < _SIGNIFICANT
    ]
    location, scale = float(fit.location), float(fit.scale)
    found = Extremes(
        tuple(refused), n, blocks.incomplete, blocks.area, area, ratio, coverage=coverage,
        location=-location, scale=scale, shape=shape, tests={k: float(p) for k, p in tests.items()},
    )  # fmt: skip
    if refused:
        return found
    # The maximum of m values of a Gumbel distribution follows it, shifted by ln m scales.
    median = math.log(ratio) - math.log(math.log(2))
    ends = (1 - coverage) / 2, (1 + coverage) / 2
    of_median = np.quantile((median - pivots.location) / pivots.scale, ends)
    drawn = random.gumbel(math.log(ratio), size=_DRAWS)
    of_maximum = np.quantile((drawn - pivots.location) / pivots.scale, ends)
    # A wall of less than nothing is a wall with a hole.
    middle, median_high, median_low, high, low = (
        max(-(location + scale * float(each)), 0.0) for each in (median, *of_median, *of_maximum)
    )
    return replace(
        found, median=middle, median_low=median_low, median_high=median_high,
        minimum_low=low, minimum_high=high,
    )  # fmt: skip


_WORDS = {
    "trend along the scan axis": "the minima become lower or higher along the scan axis",
    "trend along the index axis": "the minima become lower or higher along the index axis",
    "neighbouring squares alike": "neighbouring squares are alike: take larger squares",
    "shape of the distribution": "another distribution than Gumbel's fits the minima better",
    "fit of the distribution": "the minima do not follow a Gumbel distribution",
}


def _too_little(blocks: BlockMinima, ratio: float) -> list[str]:
    """Return why there are too few or unsound minima."""
    n = blocks.minima.size
    reasons = []
    if n < FEWEST_SQUARES:
        reasons.append(
            f"{n} squares were measured whole, and {FEWEST_SQUARES} are required: take smaller squares"
        )
    if blocks.incomplete > _MOST_INCOMPLETE * (n + blocks.incomplete):
        reasons.append(
            f"{blocks.incomplete} of {n + blocks.incomplete} squares have cells that are not measured, "
            "suspect or unconfirmed, and a fifth is the most"
        )
    if ratio < 1:
        reasons.append("the area that was not scanned is smaller than a square")
    if n and np.unique(blocks.minima).size < _FEWEST_DISTINCT * n:
        reasons.append(
            f"the minima have {np.unique(blocks.minima).size} different values only: the instrument's last "
            "digit is too coarse for them, or squares share a minimum"
        )
    return reasons


def _shape_test(maxima: Floats, gumbel: float) -> tuple[float, float]:
    """Return the shape of the generalised distribution, and the probability of its gain by chance.

    Likelihood ratio with one degree of freedom. Where the fit fails, or is no better, that is 1.
    """
    shape, location, scale = stats.genextreme.fit(maxima, 0.0)
    gain = 2 * (float(stats.genextreme.logpdf(maxima, shape, location, scale).sum()) - gumbel)
    return -float(shape), float(stats.chi2.sf(gain, 1)) if math.isfinite(gain) and gain > 0 else 1.0


def _trend(place: Ints, values: Floats) -> float:
    """Return the probability of Spearman's rank correlation with a place; 1 where there is one place."""
    if np.unique(place).size < 2:
        return 1.0
    return float(stats.spearmanr(place, values).pvalue)


def _clustering(blocks: BlockMinima, values: Floats, random: np.random.Generator) -> float:
    """Return how often squares side by side are as alike by chance: Moran's I under permutation.

    (P. A. P. Moran, Biometrika 37, 1950; from memory.) 1 where no two squares are side by side.
    """
    number = np.full(blocks.shape, -1)
    number[blocks.row, blocks.column] = np.arange(values.size)
    pairs = [np.stack((number[:, :-1].ravel(), number[:, 1:].ravel()))]
    pairs.append(np.stack((number[:-1].ravel(), number[1:].ravel())))
    if blocks.wrapped[0] and blocks.shape[0] > 2:
        pairs.append(np.stack((number[0], number[-1])))
    if blocks.wrapped[1] and blocks.shape[1] > 2:
        pairs.append(np.stack((number[:, 0], number[:, -1])))
    one, other = np.concatenate(pairs, axis=1)
    both = (one >= 0) & (other >= 0)
    if not both.any():
        return 1.0
    one, other = one[both], other[both]
    # Ranks: a single deep pit does not decide whether neighbours are alike.
    ranks = stats.rankdata(values) - (values.size + 1) / 2
    alike = float(ranks[one] @ ranks[other])
    by_chance = 0
    for _ in range(_PERMUTATIONS):
        mixed = random.permutation(ranks)
        by_chance += float(mixed[one] @ mixed[other]) >= alike
    return (1 + by_chance) / (1 + _PERMUTATIONS)
