"""Columns of numbers, and how they move."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_WIDTHS: Final = (8, 12, 16, 20, 24, 31, 32, 48)
_DIGITS: Final = (4, 5, 6, 7, 8)
_WINDOW: Final = 8
_MOST_TEXTS: Final = 4


def is_number(text: bytes) -> bool:
    """A text in decimal notation, as the driver takes it."""
    return _NUMBER.fullmatch(text) is not None


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """A column that holds numbers, perhaps with a few texts that mean none.

    Attributes:
        values: the numbers, shape (n,); NaN for a text.
        whole: all are written as integers.
        places: the most decimals.
        texts: texts other than numbers, the empty one among them, by frequency.
        times: host time of each line, s, from the first on.
    """

    values: NDArray[np.float64]
    whole: bool
    places: int
    texts: tuple[bytes, ...]
    times: NDArray[np.float64]

    @property
    def present(self) -> NDArray[np.bool_]:
        """Where there is a number."""
        return ~np.isnan(self.values)


def read_numbers(texts: Sequence[bytes], times: Sequence[int]) -> Numbers | None:
    """The column as numbers; None if it is not one of numbers."""
    good = [is_number(text) for text in texts]
    others = Counter(text for text, ok in zip(texts, good, strict=True) if not ok)
    if sum(good) < 0.4 * len(texts) or len(others) > _MOST_TEXTS:
        return None
    numbers = [text for text, ok in zip(texts, good, strict=True) if ok]
    values = np.array([float(t) if ok else np.nan for t, ok in zip(texts, good, strict=True)])
    return Numbers(
        values=values,
        whole=not any(b"." in text or b"e" in text.lower() for text in numbers),
        places=max(len(text.partition(b".")[2]) for text in numbers),
        texts=tuple(text for text, _ in others.most_common()),
        times=(np.array(times, np.float64) - times[0]) / 1e9,
    )


def unwrapped(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], int | None, bool]:
    """Integers with roll-over undone: values, bits of the counter (None: it never did), sign."""
    steps = np.abs(np.diff(values))
    if not steps.size:
        return values, None, False
    low, high = float(values.min()), float(values.max())
    for bits in _WIDTHS:
        full = float(1 << bits)
        signed = low < 0
        if (signed and not (-full / 2 <= low and high < full / 2)) or high >= full:
            continue
        far = steps > full / 2
        if not far.any():
            continue
        whole = np.concatenate(
            ([values[0]], values[0] + np.cumsum((np.diff(values) + full / 2) % full - full / 2))
        )
        if float(np.abs(np.diff(whole)).max()) < full / 16:
            return whole, bits, signed
    return values, None, False


def decimal_unwrapped(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], int | None]:
    """Integers with the roll-over of a decimal counter undone, and its period; None if none did."""
    steps = np.abs(np.diff(values))
    if not steps.size:
        return values, None
    low, high = float(values.min()), float(values.max())
    for digits in _DIGITS:
        most = 10**digits - 1
        period = 2 * most + 1 if low < 0 else most + 1
        if max(high, -low) > most or not (steps > period / 2).any():
            continue
        turned = (np.diff(values) + period / 2) % period - period / 2
        if float(np.abs(turned).max()) < period / 16:
            return np.concatenate(([values[0]], values[0] + np.cumsum(turned))), period
    return values, None


def persistence(values: NDArray[np.float64]) -> float:
    """Net way over all way, in windows of 8 steps: near 1 for motion, near 0.15 for noise."""
    steps = np.diff(values)
    rows = steps.size // _WINDOW
    if rows < 1:
        return float(abs(steps.sum()) / max(1e-300, np.abs(steps).sum()))
    blocks = steps[: rows * _WINDOW].reshape(rows, _WINDOW)
    way = float(np.abs(blocks).sum())
    return float(np.abs(blocks.sum(axis=1)).sum()) / way if way else 0.0


def reversals(values: NDArray[np.float64]) -> float:
    """Share of the steps that go the other way than the one before: low for motion, not noise."""
    steps = np.diff(values)
    ways = np.sign(steps[steps != 0])
    return float(np.mean(ways[1:] != ways[:-1])) if ways.size > 1 else 0.0


def restlessness(values: NDArray[np.float64]) -> float:
    """How much it changes from line to line, as a share of its middle value."""
    middle = float(np.median(np.abs(values)))
    return float(np.abs(np.diff(values)).mean()) / middle if middle and values.size > 1 else 0.0


def rate(numbers: NDArray[np.float64], times: NDArray[np.float64]) -> tuple[float, float]:
    """Slope per second of host time, and the largest distance from that line, s."""
    span = float(times[-1] - times[0])
    if span <= 0 or numbers.size < 3:
        return 0.0, np.inf
    slope, offset = np.polyfit(times, numbers, 1)
    if slope <= 0:
        return float(slope), np.inf
    away: NDArray[Any] = np.abs(numbers - (slope * times + offset)) / slope
    return float(slope), float(np.quantile(away, 0.98))
