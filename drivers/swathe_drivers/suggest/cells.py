"""What the texts of one column are: numbers in some notation, times, a few words, or always the same."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.series import Series, bits_of

__all__ = ["ColumnTexts", "read_cells"]

_TAGGED: Final = re.compile(
    r"(?P<before>(?:[^0-9+\-.,]|[+\-.,](?![0-9.]))*?)"
    r"(?P<number>[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?)"
    r"(?P<behind>[^0-9]*)"
)
_SIGN_BEHIND: Final = re.compile(r"[0-9]+(?:[.,][0-9]+)?[+-]")
_TIME: Final = re.compile(r"([0-2]?[0-9]):([0-5][0-9]):([0-6][0-9](?:[.,][0-9]+)?)")
_COMPACT: Final = re.compile(r"([0-2][0-9])([0-5][0-9])([0-5][0-9](?:\.[0-9]+)?)")
_ISO: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}.*")
_HEX: Final = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{1,12}")
_DIGITS_16: Final = frozenset("0123456789ABCDEFabcdef")
_MOST_TEXTS: Final = 4
_FEW: Final = 12
_LEAST_NUMBERS: Final = 0.35
_NUMBERS: Final = frozenset(
    {"thickness", "time_of_flight", "amplitude", "counts", "position", "sequence", "device_time"}
)
_WHOLE: Final = frozenset(
    {"counts", "sequence", "thickness", "time_of_flight", "amplitude", "position", "device_time"}
)


@dataclass(frozen=True, slots=True, eq=False)
class ColumnTexts:
    """A column.

    Attributes:
        kind: `constant`, `number`, `time`, `words` or `other`.
        series: the numbers, of `number` and `time`.
        notation: keys of the column that say how its numbers are written.
        comma: the decimal point is a comma.
        texts: each text.
        why: what is remarkable, in words.
    """

    kind: str
    texts: tuple[str, ...]
    series: Series | None = None
    notation: dict[str, Any] = field(default_factory=dict)
    comma: bool = False
    why: str = ""


def read_cells(key: int, texts: Sequence[str], times: NDArray[np.float64]) -> ColumnTexts:
    """Return what the texts of a column are.

    Args:
        key: its place.
        texts: one for each line, without spaces around them.
        times: of each line, s, shape (n,).
    """
    whole = tuple(texts)
    counts = Counter(texts)
    if len(counts) == 1 and _TAGGED.fullmatch(whole[0]) is None:
        return ColumnTexts("constant", whole)
    return (
        _times(key, whole, times)
        or _sign_behind(key, whole, times)
        or _based(key, whole, counts, times)
        or _numbers(key, whole, counts, times)
        or ColumnTexts("words" if len(counts) <= _FEW else "other", whole)
    )


def _times(key: int, texts: tuple[str, ...], times: NDArray[np.float64]) -> ColumnTexts | None:
    if all(_TIME.fullmatch(text) for text in texts):
        parts = [_TIME.fullmatch(text) for text in texts]
        values = [_seconds(part) for part in parts if part]
        return _clock(key, texts, values, times, "hh:mm:ss")
    if all(_ISO.fullmatch(text) for text in texts):
        try:
            values = [datetime.fromisoformat(text).timestamp() for text in texts]
        except ValueError:
            return None
        return _clock(key, texts, values, times, "ISO 8601")
    if len(texts[0]) >= 6 and all(_COMPACT.fullmatch(text) for text in texts):
        parts = [_COMPACT.fullmatch(text) for text in texts]
        found = _clock(key, texts, [_seconds(part) for part in parts if part], times, "hhmmss")
        # Digits that are no time run at another pace.
        if found.series is not None:
            ran = np.ptp(found.series.values)
            span = float(times[-1] - times[0])
            return found if span > 1 and abs(ran - span) < 0.1 * span + 1.1 else None
    return None


def _seconds(part: re.Match[str]) -> float:
    return 3600 * int(part[1]) + 60 * int(part[2]) + float(part[3].replace(",", "."))


def _clock(
    key: int,
    texts: tuple[str, ...],
    values: Sequence[float],
    times: NDArray[np.float64],
    written: str,
) -> ColumnTexts:
    decimals = max(
        len(re.split(r"[.,]", text)[-1]) if re.search(r"[.,]", text) else 0 for text in texts
    )
    series = Series(
        key, np.array(values), times, whole=False, places=decimals, can=frozenset({"device_time"})
    )
    return ColumnTexts("time", texts, series, {"written": written})


def _sign_behind(
    key: int, texts: tuple[str, ...], times: NDArray[np.float64]
) -> ColumnTexts | None:
    good = [_SIGN_BEHIND.fullmatch(text) is not None for text in texts]
    signs = {text[-1] for text, ok in zip(texts, good, strict=True) if ok}
    unsigned = [re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?", text) is not None for text in texts]
    fits = sum(a or b for a, b in zip(good, unsigned, strict=True))
    if (
        not any(good)
        or fits < 0.97 * len(texts)
        or ("-" not in signs and sum(good) < 0.9 * len(texts))
    ):
        return None
    moved = [text[-1] + text[:-1] if ok else text for text, ok in zip(texts, good, strict=True)]
    return _plain(key, texts, moved, times, {"sign": "behind"})


def _based(
    key: int, texts: tuple[str, ...], counts: Counter[str], times: NDArray[np.float64]
) -> ColumnTexts | None:
    """Hexadecimal and octal numbers."""
    if len(counts) < 6:
        return None
    notation = _around(counts)
    bare = _bare(texts, notation)
    hexes = [text for text in bare if _HEX.fullmatch(text)]
    if len(hexes) < 0.9 * len(texts) or _letters_apart(hexes):
        return None
    found = _of_base(hexes)
    if found is None:
        return None
    base, width, fixed = found
    return _in_base(key, texts, bare, times, base, width, fixed, notation)


def _around(counts: Counter[str]) -> dict[str, Any]:
    """Texts before and behind all numbers that are no digits."""
    names = list(counts)
    head = _common(names)
    last = max((at for at, char in enumerate(head) if char not in _DIGITS_16), default=-1)
    tail = _common([text[::-1] for text in names])[::-1]
    first = min((at for at, char in enumerate(tail) if char not in _DIGITS_16), default=len(tail))
    notation: dict[str, Any] = {}
    begin = head[: last + 1].strip()
    if begin and not begin.endswith(("0x", "0X")):
        notation["before"] = begin
    end = tail[first:].strip()
    if end and len(head) < min(map(len, names)):
        notation["behind"] = end
    return notation


def _bare(texts: Sequence[str], notation: dict[str, Any]) -> list[str]:
    before, behind = notation.get("before", ""), notation.get("behind", "")
    out = []
    for text in texts:
        inner = text.removeprefix(before)
        inner = inner[: len(inner) - len(behind)] if behind and inner.endswith(behind) else inner
        out.append(inner.strip())
    return out


def _common(texts: Sequence[str]) -> str:
    """The text with which all begin."""
    low, high = min(texts), max(texts)
    at = 0
    while at < min(len(low), len(high)) and low[at] == high[at]:
        at += 1
    return low[:at]


def _letters_apart(digits: Sequence[str]) -> bool:
    """A place has letters and never a digit: words or states, not hexadecimal numbers."""
    widths = set(map(len, digits))
    if len(widths) != 1:
        return False
    for at in range(widths.pop()):
        chars = {text[at] for text in digits}
        if not chars & set("0123456789") and len(chars) < 6 and not chars <= set("Ff"):
            return True
    return False


def _of_base(hexes: Sequence[str]) -> tuple[int, int, bool] | None:
    """Base, digits, and whether all have as many; None for decimal numbers."""
    digits = [text[2:] if text[:2] in ("0x", "0X") else text for text in hexes]
    letters = sum(re.search("[A-Fa-f]", text) is not None for text in digits)
    prefixed = sum(text[:2] in ("0x", "0X") for text in hexes) > 0.9 * len(hexes)
    exponents = sum(re.fullmatch(r"[0-9]+[eE][0-9]+", text) is not None for text in digits)
    widths = Counter(map(len, digits))
    if prefixed or (letters > 0.03 * len(digits) and letters > exponents and max(widths) > 1):
        width = max(widths)
        return 16, width, len(widths) == 1
    if (
        any(set(text) & set("89ABCDEFabcdef") for text in digits)
        or len(widths) > 1
        or max(widths) < 3
    ):
        return None
    if len(set(digits)) < 40 or letters:
        return None
    eight = np.array([int(text, 8) for text in digits], np.int64)
    ten = np.array([int(text) for text in digits], np.int64)
    if bits_of(eight) + 20 < bits_of(ten):
        return 8, max(widths), True
    return None


def _in_base(
    key: int,
    texts: tuple[str, ...],
    bare: Sequence[str],
    times: NDArray[np.float64],
    base: int,
    width: int,
    fixed: bool,
    around: dict[str, Any],
) -> ColumnTexts:
    values = np.full(len(texts), np.nan)
    for at, text in enumerate(bare):
        try:
            values[at] = int(text, base)
        except ValueError:
            continue
    others = Counter(text for text, value in zip(texts, values, strict=True) if np.isnan(value))
    bits = (4 if base == 16 else 3) * width
    notation: dict[str, Any] = {"written": "hex" if base == 16 else "octal", **around}
    span: int | None = None
    low = 0
    if fixed and bits >= 8:
        span = 1 << bits
        known = values[np.isfinite(values)]
        signed = np.where(known >= span / 2, known - span, known)
        jumps = np.count_nonzero(np.abs(np.diff(known)) > span / 2)
        turns = np.count_nonzero(np.abs(np.diff(signed)) > span / 2)
        # A pair of extremes that stand for none makes jumps, too, and no motion.
        if jumps and not turns and np.unique(signed[signed < 0]).size > 3:
            values = np.where(values >= span / 2, values - span, values)
            notation["signed"] = True
            low = -span // 2
    series = Series(
        key,
        values,
        times,
        True,
        0,
        span,
        low,
        tuple(others),
        can=_NUMBERS if base == 16 else _WHOLE,
    )
    return ColumnTexts("number", texts, series, notation)


def _numbers(
    key: int, texts: tuple[str, ...], counts: Counter[str], times: NDArray[np.float64]
) -> ColumnTexts | None:
    """Decimal numbers, perhaps with the same text before and behind each."""
    matches = [_TAGGED.fullmatch(text) for text in texts]
    number = sum(match is not None for match in matches)
    if number < _LEAST_NUMBERS * len(texts):
        return None
    around = Counter((m["before"].strip(" "), m["behind"].strip(" ")) for m in matches if m)
    befores: Counter[str] = Counter()
    behinds: Counter[str] = Counter()
    for (before, behind), count in around.items():
        befores[before] += count
        behinds[behind] += count
    before, count_before = befores.most_common(1)[0]
    behind, count_behind = behinds.most_common(1)[0]
    if count_before < 0.97 * number or count_behind < 0.97 * number:
        return None
    bare = [
        m["number"]
        if m and m["before"].strip(" ") == before and m["behind"].strip(" ") == behind
        else None
        for m in matches
    ]
    others = Counter(text for text, value in zip(texts, bare, strict=True) if value is None)
    if len(others) > _MOST_TEXTS and others.total() > 0.03 * len(texts):
        return None
    if (
        len(counts) <= 3
        and (before or behind)
        and len({b for b in bare if b}) < 2
        and len(counts) > 1
    ):
        return None
    notation: dict[str, Any] = {}
    if before:
        notation["before"] = before
    if behind:
        notation["behind"] = behind
    return _plain(key, texts, bare, times, notation)


def _plain(
    key: int,
    texts: tuple[str, ...],
    bare: Sequence[str | None],
    times: NDArray[np.float64],
    notation: dict[str, Any],
) -> ColumnTexts:
    comma = sum("," in text for text in bare if text) > sum("." in text for text in bare if text)
    point = [None if text is None else text.replace(",", ".") for text in bare]
    values = np.array([np.nan if text is None else float(text) for text in point])
    known = [text for text in point if text]
    whole = not any("." in text or "e" in text.lower() for text in known)
    places = max((len(text.lower().split("e")[0].partition(".")[2]) for text in known), default=0)
    if any("e" in text.lower() for text in known):
        places = max(
            0,
            places
            - round(
                float(
                    np.median(np.log10(np.abs(values[np.isfinite(values) & (values != 0)]) + 1e-12))
                )
            ),
        )
    others = Counter(text for text, value in zip(texts, bare, strict=True) if value is None)
    negative = any(text.startswith("-") for text in known)
    signs = any(text[0] in "+-" for text in known)
    widths = {len(text.lstrip("+-")) for text in known}
    # Leading zeros show how many digits there are, and so where a counter starts again.
    padded = (
        whole
        and len(widths) == 1
        and any(text.lstrip("+-").startswith("0") for text in known if len(text) > 1)
    )
    del negative, signs, padded
    # The driver takes the texts around a number off a number only.
    stray = tuple(text for text, _ in others.most_common(_MOST_TEXTS))
    series = Series(
        key,
        values,
        times,
        whole,
        places,
        None,
        0,
        stray,
        label=str(notation.get("behind", "")),
        name=str(notation.get("before", "")),
        can=_NUMBERS,
    )
    return ColumnTexts("number", texts, series, notation, comma)
