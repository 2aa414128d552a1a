"""How often the intervals of the probable minimum hold it, and how often sound and unsound data are refused.

``python tests/benchmarks/extremes.py [--surveys 1000]``: squares' minima are drawn, `probable_minimum` is
asked for an area of 100 squares, and the answer is compared with the true median and a minimum drawn
from that area. Intervals count where an answer was given.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

import numpy as np

from swathe.evaluation import BlockMinima, probable_minimum

_LOCATION, _SCALE, _RATIO, _COLUMNS = 9.0, 0.25, 100.0, 10

Draw = Callable[[np.random.Generator, int], np.ndarray]


def _gumbel(random: np.random.Generator, n: int) -> np.ndarray:
    return _LOCATION - random.gumbel(0, _SCALE, n)


def _trend(random: np.random.Generator, n: int) -> np.ndarray:
    return np.asarray(_gumbel(random, n) - 0.15 * (np.arange(n) // _COLUMNS))


def _patches(random: np.random.Generator, n: int) -> np.ndarray:
    number = np.arange(n)
    patch = (number // _COLUMNS // 3 + number % _COLUMNS // 5) % 2
    return np.asarray(_gumbel(random, n) - 0.6 * patch)


def _small_patches(random: np.random.Generator, n: int) -> np.ndarray:
    number = np.arange(n)
    patch = (number // _COLUMNS // 2 + number % _COLUMNS // 2) % 2
    return np.asarray(_gumbel(random, n) - 0.6 * patch)


def _bounded(random: np.random.Generator, n: int) -> np.ndarray:
    return _LOCATION - random.random(n)


def _two_kinds(random: np.random.Generator, n: int) -> np.ndarray:
    return np.asarray(_gumbel(random, n) - 3 * (random.random(n) < 0.5))


def run(draw: Draw, n: int, surveys: int) -> tuple[float, float, float]:
    """Return the shares refused, and of the answers those that hold the minimum and the median."""
    refused, held, median_held = 0, list[bool](), list[bool]()
    median = _LOCATION - _SCALE * (math.log(_RATIO) - math.log(math.log(2)))
    number = np.arange(n)
    for seed in range(surveys):
        random = np.random.default_rng(seed)
        minima = draw(random, n)
        truth = _LOCATION - random.gumbel(_SCALE * math.log(_RATIO), _SCALE)
        shape = (-(-n // _COLUMNS), _COLUMNS)
        blocks = BlockMinima(minima, number // _COLUMNS, number % _COLUMNS, 100.0, 0, shape)
        found = probable_minimum(blocks, 100.0 * _RATIO, seed=seed)
        if found.minimum_low is None or found.median_low is None:
            refused += 1
            continue
        assert found.minimum_high is not None
        assert found.median_high is not None
        held.append(found.minimum_low <= truth <= found.minimum_high)
        median_held.append(found.median_low <= median <= found.median_high)
    return (
        refused / surveys,
        float(np.mean(held or [False])),
        float(np.mean(median_held or [False])),
    )


def main() -> None:
    """Print a line for each kind of data and number of squares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--surveys", type=int, default=1000)
    options = parser.parse_args()
    for name, draw in (
        ("Gumbel", _gumbel),
        ("trend", _trend),
        ("patches of 3 by 5 squares", _patches),
        ("patches of 2 by 2 squares", _small_patches),
        ("bounded", _bounded),
        ("two kinds", _two_kinds),
    ):
        for n in (30, 60, 120):
            refused, held, median = run(draw, n, options.surveys)
            answers = (
                f"; of the answers hold the minimum {held:.1%}, the median {median:.1%}"
                if draw is _gumbel
                else ""
            )
            print(f"{name}, {n} squares: refused {refused:.1%}{answers}", flush=True)


if __name__ == "__main__":
    main()
