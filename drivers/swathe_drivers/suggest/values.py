"""Steady columns: thickness, time of flight, amplitude, status."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import ColumnGuess
from swathe_drivers.suggest.held import find_held
from swathe_drivers.suggest.numbers import Numbers, restlessness

_GOOD_TEXTS: Final = (
    "OK V VALID GOOD E ECHO A Y YES T TRUE 1 L LOCK LOCKED M MEAS H HIT P PASS R READY"
)
_BAD_TEXTS: Final = (
    "N NO NOK LOS LOST INV INVALID ERR ERROR F FAIL FALSE X B BAD 0 U NE NOECHO NONE W LOW"
)
_GOOD_WORDS: Final = frozenset(_GOOD_TEXTS.split())
_BAD_WORDS: Final = frozenset(_BAD_TEXTS.split())
_LENGTH_LABELS: Final[Mapping[str, str]] = {
    "MM": "mm",
    "IN": "in",
    "INCH": "in",
    "THOU": "thou",
    '"': "in",
}
_TIME_LABELS: Final[Mapping[str, str]] = {"US": "us", "USEC": "us", "\xb5S": "us", "NS": "ns"}

_STEEL: Final = (2.2, 3.6)
"""mm of thickness for a µs of time of flight in metals: half the velocity of longitudinal waves,
4.4 to 7.2 mm/µs (common practice, no source)."""


@dataclass(slots=True)
class SteadyColumn:
    """A column of numbers that neither runs nor moves.

    Attributes:
        index: of the column in the line.
        numbers: what is in it.
        sentinels: numbers that mean no echo.
        label: unit, from the column of text next to it.
    """

    index: int
    numbers: Numbers
    sentinels: tuple[float, ...] = ()
    label: str | None = None
    good: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        values = self.numbers.values[self.numbers.present]
        self.sentinels = _sentinels(values)
        self.good = values[~np.isin(values, self.sentinels)]

    @property
    def missing(self) -> NDArray[np.bool_]:
        """Lines in which it has no value, shape (n,)."""
        values = self.numbers.values
        return np.isnan(values) | np.isin(values, self.sentinels)


def _sentinels(values: NDArray[np.float64]) -> tuple[float, ...]:
    """Values far from all others that come again and again: 0, -1, 999.99 and the like."""
    found = []
    for value, count in Counter(values.tolist()).items():
        rest = values[values != value]
        if count < 2 or rest.size < 4:
            continue
        low, high = float(np.quantile(rest, 0.05)), float(np.quantile(rest, 0.95))
        nines = set(f"{abs(value):g}".replace(".", "")) == {"9"}
        if value <= 0 < 0.02 * high < low or (nines and value > 2 * high):
            found.append(value)
    return tuple(sorted(found))


def guess_steady_columns(steady: Sequence[SteadyColumn]) -> dict[int, ColumnGuess]:
    """Which of the columns is thickness, time of flight and amplitude, by column."""
    found: dict[int, ColumnGuess] = {}
    usable = [column for column in steady if column.good.size >= 4 and column.good.min() > 0]
    pair = _pair(usable)
    if pair is not None:
        flight, thickness, slope = pair
        why = f"one goes with the other, {slope:.2f} mm for a µs, as in metals"
        table = _value_table(flight, {"is": "time_of_flight", "unit": "us"})
        found[flight.index] = ColumnGuess(table, 0.85, why)
        table = _value_table(thickness, {"is": "thickness", "unit": "mm"})
        found[thickness.index] = ColumnGuess(table, 0.85, why)
    rest = [column for column in usable if column.index not in found]
    values = [column for column in rest if _may_be_value(column)]
    if not found and values:
        value = max(values, key=_likely_value)
        found[value.index] = _value(value)
        rest.remove(value)
    for column in usable:
        if column.index in found:
            found[column.index] = _with_held(column, found[column.index])
    amplitude = _amplitude(rest)
    if amplitude is not None and found:
        found[amplitude.index] = _amplitude_guess(amplitude)
    for column in steady:
        if column.index not in found:
            found[column.index] = _leftover(column)
    return found


def _with_held(column: SteadyColumn, guess: ColumnGuess) -> ColumnGuess:
    """The guess with `held_after` where a value stays for longer than chance makes it."""
    held = find_held(np.where(column.missing, np.nan, column.numbers.values))
    if held is None:
        return guess
    table = {**guess.table, "held_after": held.after}
    return ColumnGuess(table, min(guess.sure, 0.6), f"{guess.why}; {held}")


def _pair(steady: Sequence[SteadyColumn]) -> tuple[SteadyColumn, SteadyColumn, float] | None:
    """Time of flight, thickness and mm per µs, where two columns are those of the same wall."""
    for one in steady:
        for two in steady:
            both = ~one.missing & ~two.missing
            if one is two or np.count_nonzero(both) < 8:
                continue
            x, y = one.numbers.values[both], two.numbers.values[both]
            if x.std() == 0 or y.std() == 0 or np.median(y) < np.median(x):
                continue
            if abs(float(np.corrcoef(x, y)[0, 1])) < 0.97:
                continue
            slope = float(y.std() / x.std())
            if _STEEL[0] < slope < _STEEL[1]:
                return one, two, slope
    return None


def _amplitude(steady: Sequence[SteadyColumn]) -> SteadyColumn | None:
    """The column most like an amplitude."""
    candidates = [
        column
        for column in steady
        if column.label in (None, "%")
        and column.good.max() <= 110.5
        and (restlessness(column.good) > 0.004 or column.label == "%")
        and (column.numbers.places <= 2 or column.good.max() <= 1.105)
    ]
    if not candidates:
        return None
    return max(candidates, key=lambda column: (column.label == "%", _likely_amplitude(column)))


def _likely_amplitude(column: SteadyColumn) -> float:
    likely = restlessness(column.good) * (2.0 if column.numbers.places <= 1 else 1.0)
    # What has sentinels of its own is more likely the measured value.
    return likely * (0.5 if column.sentinels or column.numbers.texts else 1.0)


def _may_be_value(column: SteadyColumn) -> bool:
    """What never changes is a setting, and so is a whole number that hardly ever does."""
    different = np.unique(column.good).size
    return different > (4 if column.numbers.whole else 1)


def _likely_value(column: SteadyColumn) -> float:
    """How much like the measured value it is, compared with the others of its line."""
    places = float(min(column.numbers.places, 4))
    labelled = 10.0 if column.label not in (None, "%") else 0.0
    gaps = 2.0 if column.sentinels or column.numbers.texts else 0.0
    # A whole number that is too large for an amplitude may be a time in ns.
    large = 3.0 if column.numbers.whole and 200 < float(np.median(column.good)) < 200_000 else 0.0
    # Temperature or battery drift: in most lines they are what they were in the line before.
    drifting = 2.0 if float(np.mean(np.diff(column.good) == 0)) > 0.8 else 0.0
    return labelled + gaps + places + large - drifting - min(3.0, 10 * restlessness(column.good))


def _value(column: SteadyColumn) -> ColumnGuess:
    """Thickness or time of flight, and in which unit: by its label, its size, its decimals."""
    middle, places = float(np.median(column.good)), column.numbers.places
    label = (column.label or "").upper()
    if label in _LENGTH_LABELS:
        table = {"is": "thickness", "unit": _LENGTH_LABELS[label]}
        return ColumnGuess(
            _value_table(column, table), 0.95, f"its unit is next to it: {column.label}"
        )
    if label in _TIME_LABELS:
        table = {"is": "time_of_flight", "unit": _TIME_LABELS[label]}
        return ColumnGuess(
            _value_table(column, table), 0.95, f"its unit is next to it: {column.label}"
        )
    around = f"around {middle:g}, {places} decimals"
    if column.numbers.whole and middle > 2000:
        table = {"is": "time_of_flight", "unit": "ns"}
        why = f"{around}: a time of flight in ns, or a thickness in µm, for which there is no unit"
        return ColumnGuess(_value_table(column, table), 0.5, why)
    if column.numbers.whole and middle > 100:
        table = {"is": "thickness", "unit": "thou"}
        why = f"{around}: a thickness in thousandths of an inch, or in some other unit"
        return ColumnGuess(_value_table(column, table), 0.4, why)
    if middle < 1.3 and places >= 3:
        table = {"is": "thickness", "unit": "in"}
        why = f"{around}: a thickness in inches, or a short time of flight in µs"
        return ColumnGuess(_value_table(column, table), 0.6, why)
    if places >= 3 and middle < 200:
        table = {"is": "time_of_flight", "unit": "us"}
        why = f"{around}: a time of flight in µs, or a thickness in mm; compare with the display"
        return ColumnGuess(_value_table(column, table), 0.6, why)
    table = {"is": "thickness", "unit": "mm"}
    why = f"{around}: a thickness in mm, or a time of flight in µs; compare with the display"
    return ColumnGuess(_value_table(column, table), 0.65, why)


def _value_table(column: SteadyColumn, table: dict[str, Any]) -> dict[str, Any]:
    texts = [text.decode("latin-1") for text in column.numbers.texts if text]
    no_echo = [*column.sentinels, *texts]
    if no_echo:
        table["no_echo"] = no_echo
    if b"" in column.numbers.texts:
        table["empty"] = "no_echo"
    return table


def _amplitude_guess(column: SteadyColumn) -> ColumnGuess:
    if any(column.numbers.texts):
        why = f"like an amplitude, but with texts such as {column.numbers.texts[0]!r} in it"
        return ColumnGuess({"is": "ignore"}, 0.5, why)
    fraction = float(column.good.max()) <= 1.105 and column.numbers.places >= 2
    table: dict[str, Any] = {"is": "amplitude", "unit": "fraction" if fraction else "%"}
    if column.numbers.texts:
        table["empty"] = "absent"
    low, high = float(column.good.min()), float(column.good.max())
    why = f"restless, from {low:g} to {high:g}, next to a steadier column"
    return ColumnGuess(table, 0.75, why)


def _leftover(column: SteadyColumn) -> ColumnGuess:
    values = column.numbers.values[column.numbers.present]
    if np.unique(values).size == 1:
        why = f"always {values[0]:g}: a setting, or something that stood still in this capture"
    else:
        why = f"from {values.min():g} to {values.max():g}: temperature, gain, battery or the like"
    return ColumnGuess({"is": "ignore"}, 0.5, why)


def label_of(texts: Sequence[bytes]) -> str | None:
    """The unit that a column of one text names; None if it names none."""
    text = texts[0].decode("latin-1")
    known = {*_LENGTH_LABELS, *_TIME_LABELS, "%"}
    return text if text.upper() in known else None


def guess_status(
    texts: Sequence[bytes], missing: NDArray[np.bool_] | None
) -> tuple[ColumnGuess, float]:
    """A column of few texts as a status, and how well it goes with the lines without a value."""
    counts = Counter(texts)
    names = [text for text, _ in counts.most_common()]
    bad: list[bytes] = []
    if missing is not None and missing.any():
        column = np.array(texts)
        share = {name: float(missing[column == name].mean()) for name in names}
        bad = [name for name in names if share[name] > 0.8]
        clean = all(share[name] < 0.1 for name in names if name not in bad)
        if bad and clean and len(bad) < len(names):
            why = "it changes with whether there is a value"
            return _status(names, bad, 0.93, why), 1.0
    bad = [name for name in names if name.upper().decode("latin-1") in _BAD_WORDS]
    good = [name for name in names if name.upper().decode("latin-1") in _GOOD_WORDS]
    if good and len(good) + len(bad) == len(names):
        why = "by the usual meaning of such words; see the manual"
        return _status(names, bad, 0.65, why), 0.6
    if not good:
        good = [name for name in names if name not in bad][:1] or names[:1]
    bad = [name for name in names if name not in good]
    why = "few texts, the most frequent one taken for a good reading; see the manual"
    return _status(names, bad, 0.4, why), 0.3


def _status(names: Sequence[bytes], bad: Sequence[bytes], sure: float, why: str) -> ColumnGuess:
    table: dict[str, Any] = {
        "is": "status",
        "valid": [name.decode("latin-1") for name in names if name not in bad],
    }
    if bad:
        table["invalid"] = [name.decode("latin-1") for name in bad]
    return ColumnGuess(table, sure, why)
