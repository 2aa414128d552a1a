"""Few texts or bits: which of them show that a reading is no reading."""

import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import Basis

__all__ = ["Flag", "Judgement", "Verdict", "judge_bits", "judge_texts", "lost_of"]

_GOOD_WORDS: Final = frozenset(
    [
        "OK",
        "V",
        "VALID",
        "GOOD",
        "E",
        "ECHO",
        "A",
        "Y",
        "YES",
        "T",
        "TRUE",
        "1",
        "L",
        "LOCK",
        "LOCKED",
        "M",
        "MEAS",
        "H",
        "HIT",
        "P",
        "PASS",
        "R",
        "READY",
        "G",
    ]
)
_BAD_WORDS: Final = frozenset(
    [
        "N",
        "NO",
        "NOK",
        "LOS",
        "LOST",
        "INV",
        "INVALID",
        "ERR",
        "ERROR",
        "F",
        "FAIL",
        "FALSE",
        "X",
        "B",
        "BAD",
        "0",
        "U",
        "NE",
        "NOECHO",
        "NONE",
        "W",
        "LOW",
        "HUNT",
        "I",
    ]
)
_MOST_NUMBERS: Final = 24
_MOST_GOOD: Final = 6
"""Numbers of a status that mean a reading, at most: more are a quantity, of which others are still to come."""
_AGREES: Final = 0.8
_CLEAN: Final = 0.1
_AROUND: Final = 15
_STRANGE: Final = 6.0
_ALWAYS: Final = 0.97
_SELDOM: Final = 0.7
_FEWEST_HELD: Final = 6
_HELD_BY_CHANCE: Final = -6.0  # common logarithm


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """Records whose reading is none, by what else is in them.

    Attributes:
        lost: shape (n,).
        why: what shows it.
    """

    lost: NDArray[np.bool_]
    why: str

    @property
    def is_strange(self) -> bool:
        """It is known from the values only."""
        return "far from" in self.why


@dataclass(frozen=True, slots=True, eq=False)
class Flag:
    """A column or field of few texts or numbers.

    Attributes:
        key: its place.
        texts: shape (n,) of a column.
        numbers: shape (n,) of a field.
    """

    key: int
    texts: tuple[str, ...] = ()
    numbers: NDArray[np.int64] | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A flag as a status: its keys, how well it goes with lost readings, and why."""

    keys: dict[str, Any]
    score: float
    basis: Basis
    why: str


def lost_of(
    missing: NDArray[np.bool_], values: NDArray[np.float64], amplitude: NDArray[np.float64] | None
) -> list[Verdict]:
    """What may show lost readings, the surest first.

    Args:
        missing: records without a value, shape (n,).
        values: measured values, shape (n,).
        amplitude: shape (n,); None where there is none.
    """
    found = []
    if missing.any():
        found.append(Verdict(missing, "it changes with whether there is a value"))
    held = _held(values)
    if held.any():
        found.append(Verdict(held, "the value stays the same with it: held for want of an echo"))
    wild = _wild(values)
    if amplitude is not None and np.isfinite(amplitude).any():
        low = amplitude < 0.4 * float(np.nanmedian(amplitude))
        # A weak echo may be a good reading: only where its values are strange it is none.
        if low.any() and float(np.mean(wild[low] | held[low] | missing[low])) > 0.5:
            found.append(
                Verdict(low, "it changes with the amplitude, and the values are strange then")
            )
    if wild.any():
        found.append(Verdict(wild, "the value is far from those before and after with it"))
    return found


def _wild(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Records whose value is far from the middle of those around it, shape (n,)."""
    number = values.size
    if number < 2 * _AROUND:
        return np.zeros(number, np.bool_)
    padded = np.pad(values, _AROUND, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _AROUND + 1)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nothing but lost readings around
        middle = np.nan_to_num(np.nanmedian(around, axis=1), nan=float(np.nanmedian(values)))
    off = np.abs(values - middle)
    usual = max(float(np.nanmedian(off)), 1e-3 * float(np.nanmedian(np.abs(values))), 1e-12)
    return np.asarray(off > 12 * usual)


def _held(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Records in runs of one value that are longer than those that chance makes, but for their first."""
    same = np.concatenate(([False], np.diff(values) == 0))
    share = float(same.mean())
    out = np.zeros(values.size, np.bool_)
    if not 0 < share < 0.8:
        return out
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    fewest = 2 if share < 0.1 else max(2, int(np.ceil(np.log(1e-3) / np.log(share))))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= fewest:
            out[begin:end] = True
    return out


def judge_texts(
    flag: Flag, verdicts: Sequence[Verdict], values: NDArray[np.float64] | None = None
) -> Judgement:
    """A column of few texts as a status.

    Args:
        flag: the column.
        verdicts: what may show lost readings.
        values: measured values, NaN where there is none, shape (n,).
    """
    counts = Counter(flag.texts)
    names = [text for text, _ in counts.most_common()]
    column = np.array(flag.texts)
    for verdict in verdicts:
        share = {name: float(verdict.lost[column == name].mean()) for name in names}
        bad = [name for name in names if share[name] > _AGREES]
        clean = all(share[name] < _CLEAN for name in names if name not in bad)
        if bad and clean and len(bad) < len(names):
            basis = Basis.SHOWN if sum(counts[name] for name in bad) >= 8 else Basis.LIKELY
            held = [] if values is None else _held_names(column, names, bad, values)
            if held and len(held) + len(bad) < len(names):
                named = " and ".join(repr(name) for name in held)
                why = f"{verdict.why}; with {named} the value is always the one before: held for want of an echo"
                return Judgement(_texts(names, [*bad, *held]), 10.0, Basis.LIKELY, why)
            return Judgement(_texts(names, bad), 10.0, basis, verdict.why)
    # What the readings do not show to be lost is a reading.
    known = [name for name in names if name.upper() in _GOOD_WORDS | _BAD_WORDS]
    why = (
        "nothing in the readings shows which of these texts mean that there is none; see the manual"
    )
    score = (4.0 if len(known) == len(names) else 2.0) if len(names) > 1 else 0.3
    return Judgement(_texts(names, []), score, Basis.GUESS, why)


def _held_names(
    column: NDArray[np.str_], names: Sequence[str], bad: Sequence[str], values: NDArray[np.float64]
) -> list[str]:
    """Further texts with which a value is always the one before, while with others it seldom is."""
    at = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(values.size), 0))
    before = np.concatenate(([np.nan], values[at][:-1]))
    same = values == before
    shares = {name: float(same[column == name].mean()) for name in names if name not in bad}
    usual = min(shares.values(), default=1.0)
    return [
        name
        for name, share in shares.items()
        if share > _ALWAYS and np.count_nonzero(column == name) >= _FEWEST_HELD and usual < _SELDOM
    ]


def _texts(names: Sequence[str], bad: Sequence[str]) -> dict[str, Any]:
    keys: dict[str, Any] = {"valid": [name for name in names if name not in bad]}
    return keys | ({"invalid": list(bad)} if bad else {})


def judge_bits(
    flag: Flag, verdicts: Sequence[Verdict], values: NDArray[np.float64]
) -> Judgement | None:
    """A field of few numbers as a status: one bit of it, or its numbers; None if none goes with readings."""
    assert flag.numbers is not None  # noqa: S101  a field
    numbers = flag.numbers
    if np.unique(numbers).size < 2 or numbers.min() < 0:
        return None
    best: tuple[float, Judgement] | None = None
    for rank, verdict in enumerate(verdicts):
        if not 0 < verdict.lost.mean() < 0.7:
            continue
        for bit in range(max(1, int(numbers.max()).bit_length())):
            mask = 1 << bit
            on = (numbers & mask) != 0
            if on.all() or not on.any():
                continue
            for good_when in (mask, 0):
                bad = on != bool(good_when)
                score = _agreement(bad, verdict.lost) - 0.05 * rank - 0.001 * bit
                if score > _AGREES - 0.25 and (best is None or score > best[0]):
                    several = np.unique(numbers).size
                    why = f"bit {bit} of {several} different numbers: {verdict.why}"
                    basis = Basis.SHOWN if np.count_nonzero(bad) >= 8 else Basis.LIKELY
                    keys = {"mask": mask, "valid_when": good_when}
                    best = (score, Judgement(keys, 10.0 * score, basis, why))
    if best is not None and best[0] > 0.9:
        return best[1]
    if (found := _held_with(numbers, values)) is not None:
        return found
    if best is None and (found := _strange_with(numbers, values)) is not None:
        return found
    by_number = _numbers(numbers, verdicts)
    return by_number or (best[1] if best is not None else None)


def _held_with(numbers: NDArray[np.int64], values: NDArray[np.float64]) -> Judgement | None:
    """The bit with which a value is always the one before, while without it it seldom is."""
    same = np.concatenate(([False], np.diff(values) == 0))
    for bit in range(int(numbers.max()).bit_length()):
        on = (numbers >> bit & 1).astype(bool)
        for bad, when in ((on, 0), (~on, 1 << bit)):
            count = int(np.count_nonzero(bad))
            if not _FEWEST_HELD <= count < 0.4 * bad.size:
                continue
            if float(same[bad].mean()) > _ALWAYS and float(same[~bad].mean()) < _SELDOM:
                share = float(same[~bad].mean())
                if count * np.log10(max(share, 0.01)) > _HELD_BY_CHANCE:
                    continue
                why = (
                    f"bit {bit}: with it the value is always the one before, without it in {share:.0%} of the"
                    " records: held for want of an echo"
                )
                basis = Basis.SHOWN if count >= 8 else Basis.LIKELY
                return Judgement({"mask": 1 << bit, "valid_when": when}, 9.0, basis, why)
    return None


def _strange_with(numbers: NDArray[np.int64], values: NDArray[np.float64]) -> Judgement | None:
    """The bit with which values are far from what is before and after, where that is rare."""
    best: tuple[float, Judgement] | None = None
    for bit in range(int(numbers.max()).bit_length()):
        on = (numbers >> bit & 1).astype(bool)
        for bad, when in ((on, 0), (~on, 1 << bit)):
            count = int(np.count_nonzero(bad))
            good = ~bad & np.isfinite(values)
            if not 4 <= count < 0.3 * bad.size or np.count_nonzero(good) < 20:
                continue
            at = np.flatnonzero(good)
            # Across the border of such a stretch the wall is the same: there a value shows itself.
            steps = np.abs(np.diff(values))
            border = steps[(bad[1:] != bad[:-1]) & np.isfinite(steps)]
            if border.size < 4:
                continue
            off = float(np.median(border))
            usual = float(np.quantile(np.abs(np.diff(values[at])), 0.9))
            ratio = off / max(usual, 1e-9)
            if ratio > _STRANGE and (best is None or ratio > best[0]):
                why = f"bit {bit}: as it changes, the value steps {ratio:.0f} times as far as else"
                keys = {"mask": 1 << bit, "valid_when": when}
                best = (ratio, Judgement(keys, 7.0, Basis.LIKELY, why))
    return None if best is None else best[1]


def _agreement(bad: NDArray[np.bool_], lost: NDArray[np.bool_]) -> float:
    """Records in which both are, over those in which either is; shape (n,)."""
    either = int(np.count_nonzero(bad | lost))
    return int(np.count_nonzero(bad & lost)) / either if either else 0.0


def _numbers(numbers: NDArray[np.int64], verdicts: Sequence[Verdict]) -> Judgement | None:
    names = np.unique(numbers)
    if names.size > _MOST_NUMBERS:
        return None
    for verdict in verdicts:
        if verdict.is_strange:
            continue  # a bit is one coincidence of a few, lists of numbers are one of many
        share = {int(name): float(verdict.lost[numbers == name].mean()) for name in names}
        bad = [name for name in share if share[name] > _AGREES]
        if (
            bad
            and len(bad) < len(share)
            and all(s < _CLEAN for n, s in share.items() if n not in bad)
        ):
            good = [name for name in share if name not in bad]
            if len(good) > _MOST_GOOD:
                continue
            return Judgement({"valid": good, "invalid": bad}, 8.0, Basis.LIKELY, verdict.why)
    return None
