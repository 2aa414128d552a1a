"""One number after another: how many bits it takes to write them down, and how they move.

The length of the shortest description is the measure by which readings of the same bytes are compared
(J. Rissanen, "Modeling by shortest data description", Automatica 14, 1978, pp. 465-471): an interpretation that
makes the numbers predictable is closer to what the device meant than one in which they jump.
"""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_WINDOW: Final = 8
_WIDTHS: Final = (8, 10, 12, 14, 16, 18, 20, 22, 24, 31, 32, 48)
_DIGITS: Final = (2, 3, 4, 5, 6, 7, 8)
_FAR: Final = 0.5  # of a full turn: a step that is no motion
_NEAR: Final = 1 / 8  # of a full turn: the longest step that is motion
_MOST_SENTINELS: Final = 4
_CODES: Final = 8  # values at the top of a type that may each be a reason why there is no reading


@dataclass(slots=True, eq=False)
class Series:
    """Numbers of one column or field.

    Attributes:
        key: place of the column or field in its record.
        values: as sent, shape (n,); NaN where there is none.
        times: host time of each record from the first on, s, shape (n,).
        whole: all are integers.
        places: the most decimals that are sent.
        span: how many values the encoding holds, where it is limited.
        low: the lowest of them.
        texts: what is sent in place of a number.
        label: text behind the number.
        name: text before it.
        can: roles that the driver takes in this encoding; empty: all.
        sentinels: numbers that stand for none; found by `find_sentinels`.
    """

    key: int
    values: NDArray[np.float64]
    times: NDArray[np.float64]
    whole: bool = True
    places: int = 0
    span: int | None = None
    low: int = 0
    texts: tuple[str, ...] = ()
    label: str = ""
    name: str = ""
    can: frozenset[str] = frozenset()
    sentinels: tuple[float, ...] = field(default=(), init=False)

    def __post_init__(self) -> None:
        self.sentinels = find_sentinels(self.values[self.present], self.span, self.low)

    @property
    def present(self) -> NDArray[np.bool_]:
        """Where there is a number."""
        return np.isfinite(self.values)

    @property
    def missing(self) -> NDArray[np.bool_]:
        """Where there is none, or one that stands for none."""
        return ~self.present | np.isin(self.values, self.sentinels)

    @property
    def good(self) -> NDArray[np.float64]:
        """The numbers that are meant."""
        return self.values[~self.missing]

    def may_be(self, role: str) -> bool:
        """Whether the driver takes this encoding for a role."""
        return not self.can or role in self.can


def find_sentinels(
    values: NDArray[np.float64], span: int | None = None, low: int = 0
) -> tuple[float, ...]:
    """Values far from all others that come again and again, as those that stand for none do.

    There may be several next to each other, one for each reason: FFFF for no echo, FFFE for a lifted probe.

    Args:
        values: shape (n,).
        span: how many values the encoding holds, where it is limited.
        low: the lowest of them.
    """
    if values.size < 8:
        return ()
    different, counts = np.unique(values, return_counts=True)
    found: list[float] = []
    for from_top in (False, True):
        names, often = (different[::-1], counts[::-1]) if from_top else (different, counts)
        for number in range(min(_MOST_SENTINELS, names.size), 0, -1):
            few = names[:number]
            if (often[:number] < 2).any() or np.isin(few, found).any():
                continue
            kept = ~np.isin(different, few) & ~np.isin(different, found)
            rest, share = different[kept], counts[kept]
            if rest.size < 4 or share.sum() < 0.25 * values.size:
                continue
            # The 3rd and the 97th of a hundred of the others.
            ends = np.searchsorted(np.cumsum(share), (0.03 * share.sum(), 0.97 * share.sum()))
            bottom, top = rest[np.minimum(ends, rest.size - 1)].tolist()
            if _apart(few, bottom, top, span, low, from_top=from_top):
                found += few.tolist()
                break
    return tuple(sorted(found))


def _apart(
    few: NDArray[np.float64],
    bottom: float,
    top: float,
    span: int | None,
    low: int,
    *,
    from_top: bool,
) -> bool:
    """Whether a few values at one end are too far from the rest to be measured ones."""
    spread = max(top - bottom, 1e-12)
    nearest = float(few[-1])
    if not from_top:
        if nearest > 0 or bottom <= 0:
            return False
        return bottom - nearest > 0.5 * spread or bottom > 0.1 * top
    if nearest <= 0:
        return False
    marked = all(_is_marked(float(one), span, low) for one in few)
    if few.size > 1 and not marked:
        return False
    return nearest > top + (0.3 if marked else 4.0) * spread and nearest > 1.2 * top


def _is_marked(value: float, span: int | None, low: int) -> bool:
    """A value that devices send for none: at the end of its type, all nines, or beyond measure."""
    if span is not None:
        ends = (low + span - 1, low + span // 2 - 1)
        if any(0 <= end - value < _CODES for end in ends) or value == low + span // 2:
            return True
    return _nines(value) or value > 1e30


def _nines(value: float) -> bool:
    digits = f"{value:.10g}".replace(".", "")
    # 9999, 8888, and 9998 for another reason.
    if len(digits) < 2:
        return False
    same = len(set(digits)) == 1 and digits[0] in "89"
    return same or (len(digits) > 3 and set(digits[:-1]) == {"9"})


def bits_of(numbers: NDArray[np.int64], span: int | None = None) -> float:
    """Bits that integers take as steps from one to the next, coded by their lengths.

    The length of each step is coded by its entropy, the digits behind the leading one as they are:
    an exponential Golomb code with ideal prefixes.

    Args:
        numbers: shape (n,).
        span: they roll over after so many.
    """
    if numbers.size < 3:
        return 0.0
    steps = np.diff(numbers)
    if span is not None:
        steps = (steps + span // 2) % span - span // 2
    turns = np.diff(steps, prepend=steps[:1])
    middle = numbers[1:] - int(np.median(numbers))
    return min(_coded(steps), _coded(turns), _coded(middle))


def _coded(numbers: NDArray[np.int64]) -> float:
    # As floats: twice a number of 8 bytes is too large for an integer.
    exact = numbers.astype(np.float64)
    zigzag = np.where(exact >= 0, 2 * exact, -2 * exact - 1)
    # A value that comes again and again is cheap whatever its size.
    lengths = np.floor(np.log2(zigzag + 1)).astype(np.int64)
    by_length = _entropy(lengths) + float(np.maximum(0, lengths).sum())
    return min(by_length, _entropy(zigzag))


def _entropy(numbers: NDArray[Any]) -> float:
    """Bits of an ideal code learned as it goes, of numbers not below 0, shape (n,)."""
    names, counts = np.unique(numbers, return_counts=True)
    total = float(counts.sum())
    ideal = -float((counts * np.log2(counts / total)).sum())
    # Each new symbol has to be written once, by its own digits.
    return ideal + float((np.log2(names[1:] + 1.0) + np.log2(total)).sum())


def unwrapped(
    values: NDArray[np.float64], span: int | None = None
) -> tuple[NDArray[np.float64], int | None]:
    """Integers with their roll-over undone, and after how many values it came (None: never).

    Args:
        values: shape (n,).
        span: where the encoding itself rolls over; None to find out.
    """
    steps = np.diff(values)
    if not steps.size:
        return values, None
    for period in (span,) if span is not None else _periods(values):
        if not (np.abs(steps) > _FAR * period).any():
            continue
        turned = (steps + period / 2) % period - period / 2
        if float(np.abs(turned).max()) < _NEAR * period:
            return np.concatenate(([values[0]], values[0] + np.cumsum(turned))), period
    return values, None


def _periods(values: NDArray[np.float64]) -> list[int]:
    """Numbers of values that a counter may have which holds these, the smallest first."""
    low, high = float(values.min()), float(values.max())
    found: list[int] = []
    for bits in _WIDTHS:
        full = 1 << bits
        fits = high < full if low >= 0 else -full / 2 <= low and high < full / 2
        found += [full] * fits
    for digits in _DIGITS:
        most = 10**digits - 1
        found += [2 * most + 1 if low < 0 else most + 1] * (max(high, -low) <= most)
    # What a counter of any modulus shows: just under the top, then at 0.
    falls = np.flatnonzero(np.abs(np.diff(values)) > _FAR * (high - low))
    if low >= 0 and falls.size:
        for nice in (360, 3600, 36000, 2000, 20000, 200000, 5000, 50000, 4000, 40000, 1000000):
            found += [nice] * (high < nice)
    return sorted(found)


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
    """How much it changes from record to record, as a share of its middle value."""
    middle = float(np.median(np.abs(values))) if values.size else 0.0
    return float(np.abs(np.diff(values)).mean()) / middle if middle and values.size > 1 else 0.0


def slope_of(numbers: NDArray[np.float64], times: NDArray[np.float64]) -> tuple[float, float]:
    """Slope per second of host time, and the largest distance from that line, s."""
    span = float(times[-1] - times[0]) if times.size else 0.0
    if span <= 0 or numbers.size < 3:
        return 0.0, np.inf
    slope, offset = np.polyfit(times, numbers, 1)
    if slope <= 0:
        return float(slope), np.inf
    away: NDArray[Any] = np.abs(numbers - (slope * times + offset)) / slope
    return float(slope), float(np.quantile(away, 0.98))
