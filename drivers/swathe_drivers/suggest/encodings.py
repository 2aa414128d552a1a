"""Numbers of binary frames in every encoding that the driver `frames` takes."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.series import find_sentinels

_VALUES: Final = frozenset({"thickness", "time_of_flight", "amplitude", "position"})
_UNSIGNED: Final = _VALUES | {"counts", "sequence", "device_time", "status"}
_MOST_DIGITS: Final = 10
_FEWEST_TENS: Final = 6
_FAR: Final = 1e12
_USUAL: Final = 1000.0
_SANE: Final = (1e-5, 1e7)
"""Magnitudes that a number of a gauge or an encoder has, in whatever unit."""


@dataclass(frozen=True, slots=True, eq=False)
class Encoded:
    """A stretch of bytes read as numbers.

    Attributes:
        first: byte of the frame.
        size: bytes.
        kind: type as the driver calls it.
        values: shape (n,); NaN where there is no number.
        steps: the same as integers, whose steps can be coded; of a float its bits in order.
        span: how many values there are, where the numbers roll over with the type.
        low: the lowest of them.
        bonus: bits that this encoding saves because only it explains which bytes occur.
        can: roles that the driver takes.
    """

    first: int
    size: int
    kind: str
    values: NDArray[np.float64]
    steps: NDArray[np.int64]
    span: int | None
    low: int
    bonus: float
    can: frozenset[str]


def encodings_at(rows: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    """Every reading of the bytes from `first` on, of all sizes.

    Args:
        rows: frames, shape (n, length).
        first: byte to begin with.
        order: of the bytes.
    """
    left = rows.shape[1] - first
    for size in (1, 2, 3, 4, 8):
        if size > left:
            break
        piece = rows[:, first : first + size]
        if size < 8:
            yield from _integers(piece, first, order)
        if size in (4, 8):
            yield from _floats(piece, first, order)
        if size <= 4:
            yield from _bcd(piece, first, order)
    yield from _digits(rows, first)


def _joined(piece: NDArray[np.uint8], order: ByteOrder) -> NDArray[np.int64]:
    ordered = piece if order == "big" else piece[:, ::-1]
    value = np.zeros(piece.shape[0], np.int64)
    for place in range(piece.shape[1]):
        value = (value << 8) | ordered[:, place]
    return value


def _integers(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    size = piece.shape[1]
    span = 1 << (8 * size)
    raw = _joined(piece, order)
    signed = np.where(raw >= span // 2, raw - span, raw)
    # Numbers on both sides of zero that never turn over from one end to the other are signed.
    # One number below is rather all ones, which stands for none.
    below = np.unique(signed[signed < 0]).size
    negative = below > 2 and bool((signed >= 0).any())
    jumps = int(np.count_nonzero(np.abs(np.diff(raw)) > span // 2))
    turns = int(np.count_nonzero(np.abs(np.diff(signed)) > span // 2))
    always = bool((signed < 0).all() and np.abs(signed).max() < span // 8)
    if (negative and jumps > 0 and turns == 0) or (always and np.unique(signed).size > 8):
        can = _VALUES | {"counts"}
        yield Encoded(
            first, size, f"i{size}", signed.astype(float), signed, span, -span // 2, 0.0, can
        )
        return
    yield Encoded(first, size, f"u{size}", raw.astype(float), raw, span, 0, 0.0, _UNSIGNED)


def _floats(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    size = piece.shape[1]
    dtype = np.dtype((">" if order == "big" else "<") + f"f{size}")
    with np.errstate(invalid="ignore"):  # a signalling NaN
        values = np.ascontiguousarray(piece).view(dtype)[:, 0].astype(np.float64)
    usual = np.isfinite(values) & (values != 0) & (np.abs(values) < 1e30)
    sizes = np.abs(values[usual])
    if sizes.size < 0.3 * values.size or np.unique(sizes).size < 4:
        return
    if np.mean((sizes >= _SANE[0]) & (sizes <= _SANE[1])) < 0.99:
        return
    # Steps in units of the decimals that the numbers have; without any those of the bits in order.
    middle = float(np.median(sizes))
    eps = float(np.finfo(dtype).eps)
    unit = next((10.0**-k for k in range(5) if _on_grid(sizes, 10.0**-k, eps)), None)
    # What stands for none is no step.
    usual &= ~np.isin(values, find_sentinels(values[np.isfinite(values)]))
    filled = values[np.maximum.accumulate(np.where(usual, np.arange(values.size), 0))]
    filled = np.where(np.isfinite(filled), filled, 0.0)
    if unit is None:
        bits = filled.astype(f"f{size}").view(f"i{size}").astype(np.int64)
        steps = np.where(bits < 0, -(bits & (2 ** (8 * size - 1) - 1)), bits)
    else:
        steps = np.round(np.clip(filled, -_FAR, _FAR) / unit).astype(np.int64)
    whole = np.where(np.isfinite(values), values, np.nan)
    # Each exponent that occurs is one of the thirty or so, of 256, that such numbers have.
    exponents = np.unique(np.frexp(sizes)[1]).size
    gained = min(30.0, 3.1 * exponents + 6.0 * (middle < _USUAL)) - 25.0 * (middle > 10 * _USUAL)
    yield Encoded(first, size, f"f{size}", whole, steps, None, 0, gained, _VALUES)


def _on_grid(values: NDArray[np.float64], unit: float, eps: float) -> bool:
    if 8 * eps * float(np.median(values)) > 0.1 * unit:
        return False  # finer than the numbers themselves
    off = np.abs(values / unit - np.round(values / unit)) * unit
    return bool(np.mean(off <= 4 * eps * values + 1e-12) > 0.98)


def _bcd(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    high, low = piece >> 4, piece & 15
    good = ((high <= 9) & (low <= 9)).all(axis=1)
    if good.mean() < 0.5:
        return
    bad = np.unique(piece[~good], axis=0)
    if bad.shape[0] > 2:
        return
    tens = _joined(10 * high + low, order)  # bytes of 0 to 99
    value = np.zeros(piece.shape[0], np.int64)
    ordered = (
        (10 * high.astype(np.int64) + low)
        if order == "big"
        else (10 * high.astype(np.int64) + low)[:, ::-1]
    )
    for place in range(piece.shape[1]):
        value = 100 * value + ordered[:, place]
    different = sum(np.unique(piece[good, at]).size for at in range(piece.shape[1]))
    if np.unique(tens[good]).size < _FEWEST_TENS:
        return
    # Each byte of other numbers would be a pair of digits in 100 of 256 cases.
    gained = min(60.0, 1.36 * different)
    sent = np.where(good, value, np.nan).astype(np.float64)
    steps = np.where(good, value, 0)
    size = piece.shape[1]
    can = _VALUES | {"counts", "sequence"}
    yield Encoded(first, size, f"bcd{size}", sent, steps, 100**size, 0, gained, can)


def _digits(rows: NDArray[np.uint8], first: int) -> Iterator[Encoded]:
    """Text of digits: as long as every byte is a digit, a space, a sign or a point."""
    text = rows[:, first:]
    digit = (text >= 0x30) & (text <= 0x39)
    filler = np.isin(text, np.frombuffer(b" +-.", np.uint8))
    usable = (digit | filler).mean(axis=0) > 0.97
    longest = int(usable.argmin()) if not usable.all() else usable.size
    before = rows[:, first - 1] if first else None
    within = before is not None and _is_digit(before) and _is_digit(rows[:, first])
    if before is not None and within and not (before == before[0]).all():
        return
    for size in range(2, min(longest, _MOST_DIGITS) + 1):
        ends_within = size < usable.size and _is_digit(text[:, size]) and size != longest
        if ends_within or not _is_digit(text[:, size - 1]):
            continue
        values = np.full(text.shape[0], np.nan)
        pointed = False
        for at, row in enumerate(np.ascontiguousarray(text[:, :size])):
            piece = row.tobytes()
            try:
                values[at] = float(piece)
            except ValueError:
                continue
            pointed |= b"." in piece
        if np.isfinite(values).mean() < 0.5:
            continue
        can = _VALUES if pointed else _VALUES | {"counts", "sequence"}
        places = (
            (size - 1 - int(np.median(np.argmax(text[:, :size] == 0x2E, axis=1)))) if pointed else 0
        )
        known = np.where(np.isfinite(values), values, 0.0)
        steps = np.round(known * 10**places).astype(np.int64)
        different = sum(np.unique(text[:, at]).size for at in range(size))
        gained = min(80.0, 3.0 * different)
        yield Encoded(first, size, f"digits{size}", values, steps, None, 0, gained, can)


def _is_digit(column: NDArray[np.uint8]) -> bool:
    return bool(((column >= 0x30) & (column <= 0x39)).mean() > 0.97)
