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
_MOST_ABSENT: Final = 4
_PLUS: Final = frozenset((0x0, 0xA, 0xC, 0xE, 0xF))
_MINUS: Final = frozenset((0x1, 0x8, 0x9, 0xB, 0xD))
"""First half-bytes of a packed decimal number that are its sign, as the driver takes them."""
_GRIDS: Final = (*(10.0**-k for k in range(5)), *(2.0**-k for k in range(1, 7)), 0.05, 0.02, 0.005)
"""Steps in which devices send decimal or binary fractions."""
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
        absent: what is sent in place of a number, as the driver's key of that name has it.
        order: of its bytes, where that is not the frame's.
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
    absent: tuple[str, ...] = ()
    order: ByteOrder | None = None


def encodings_at(rows: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    """Every reading of the bytes from `first` on, of all sizes.

    Args:
        rows: frames, shape (n, length).
        first: byte to begin with.
        order: of the bytes.
    """
    left = rows.shape[1] - first
    sevens = _are_septets(rows, first)
    for size in (1, 2, 3, 4, 8):
        if size > left:
            break
        piece = rows[:, first : first + size]
        if size == 1 or (size < 8 and not sevens):
            yield from _integers(piece, first, order)
        if size in (4, 8):
            yield from _floats(piece, first, order)
        if size <= 4:
            yield from _bcd(piece, first, order)
        if 2 <= size <= 4:
            yield from _signed_bcd(piece, first, order)
            if sevens:
                yield from _septets(piece, first, order)
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
    unit = next((unit for unit in _GRIDS if _on_grid(sizes, unit, eps)), None)
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
    absent: tuple[str, ...] = ("nan",) if np.isnan(values).any() else ()
    infinite = np.isinf(values)
    if infinite.any():
        absent += _patterns(piece, infinite) or ()
    # Each exponent that occurs is one of the thirty or so, of 256, that such numbers have.
    exponents = np.unique(np.frexp(sizes)[1]).size
    gained = min(30.0, 3.1 * exponents + 6.0 * (middle < _USUAL)) - 25.0 * (middle > 10 * _USUAL)
    yield Encoded(first, size, f"f{size}", whole, steps, None, 0, gained, _VALUES, absent)


def _on_grid(values: NDArray[np.float64], unit: float, eps: float) -> bool:
    if 8 * eps * float(np.median(values)) > 0.1 * unit:
        return False  # finer than the numbers themselves
    off = np.abs(values / unit - np.round(values / unit)) * unit
    return bool(np.mean(off <= 4 * eps * values + 1e-12) > 0.98)


def _patterns(piece: NDArray[np.uint8], missing: NDArray[np.bool_]) -> tuple[str, ...] | None:
    """The bytes that stand for none, as the driver has them; None for too many different ones."""
    found, counts = np.unique(piece[missing], axis=0, return_counts=True)
    often = found[counts > 1] if (counts > 1).any() else found
    if often.shape[0] > _MOST_ABSENT or counts[counts == 1].sum() > 0.01 * piece.shape[0] + 1:
        return None
    out = []
    for row in often:
        text = row.tobytes()
        printable = all(0x20 <= byte < 0x7F for byte in text)
        out.append(text.decode("ascii") if printable else f"hex:{text.hex(' ').upper()}")
    return tuple(out)


def _fills(piece: NDArray[np.uint8], missing: NDArray[np.bool_]) -> tuple[str, ...] | None:
    """As `_patterns`, where each is one byte again and again, as those that fill decimal digits up."""
    odd = piece[missing]
    if np.count_nonzero((odd[:, 1:] != odd[:, :1]).any(axis=1)) > 0.02 * odd.shape[0]:
        return None
    return _patterns(piece, missing)


def _filled(values: NDArray[np.int64], good: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Where there is no number, the one before."""
    at = np.where(good, np.arange(values.size), 0)
    np.maximum.accumulate(at, out=at)
    return values[at]


def _pairs(
    piece: NDArray[np.uint8], order: ByteOrder, *, signed: bool
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.uint8]]:
    """Numbers of decimal digits in half-bytes, where they are such, and the half-bytes of the sign."""
    ordered = piece if order == "big" else piece[:, ::-1]
    high, low = ordered >> 4, ordered & 15
    lead = high[:, 0].copy()
    if signed:
        high[:, 0] = 0
    good = ((high <= 9) & (low <= 9)).all(axis=1)
    value = np.zeros(piece.shape[0], np.int64)
    for place in range(piece.shape[1]):
        value = 100 * value + 10 * high[:, place].astype(np.int64) + low[:, place]
    return value, np.asarray(good, np.bool_), np.asarray(lead, np.uint8)


def _bcd(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    value, good, _ = _pairs(piece, order, signed=False)
    if good.mean() < 0.5:
        return
    absent = _fills(piece, ~good)
    if absent is None or np.unique(value[good]).size < _FEWEST_TENS:
        return
    different = sum(np.unique(piece[good, at]).size for at in range(piece.shape[1]))
    # Each byte of other numbers would be a pair of digits in 100 of 256 cases.
    gained = min(60.0, 1.36 * different)
    sent = np.where(good, value, np.nan).astype(np.float64)
    size = piece.shape[1]
    can = _VALUES | {"counts", "sequence"}
    steps = _filled(value, good)
    yield Encoded(first, size, f"bcd{size}", sent, steps, 100**size, 0, gained, can, absent)


def _signed_bcd(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    """Decimal digits whose first half-byte is the sign; both signs have to be there."""
    value, good, lead = _pairs(piece, order, signed=True)
    if good.mean() < 0.5:
        return
    signs = set(np.unique(lead[good]).tolist())
    if not (signs & _MINUS and signs - _MINUS and len(signs) == 2 and signs <= _MINUS | _PLUS):
        return
    absent = _fills(piece, ~good)
    if absent is None or np.unique(value[good]).size < _FEWEST_TENS:
        return
    value = np.where(np.isin(lead, list(_MINUS)), -value, value)
    # A sign belongs to numbers that pass through zero.
    turns = np.flatnonzero(np.diff(np.sign(_filled(value, good))))
    if np.abs(value[turns]).max(initial=0) > 0.1 * np.abs(value[good]).max():
        return
    different = sum(np.unique(piece[good, at]).size for at in range(piece.shape[1]))
    size = piece.shape[1]
    sent = np.where(good, value, np.nan).astype(np.float64)
    steps, gained = _filled(value, good), min(60.0, 1.36 * different) + 6.0
    can = _VALUES | {"counts"}
    yield Encoded(first, size, f"sbcd{size}", sent, steps, None, 0, gained, can, absent)


def _are_septets(rows: NDArray[np.uint8], first: int) -> bool:
    """Seven bits a byte, where no byte of a frame but its first has bit 7."""
    return bool(
        first > 0 and rows.shape[1] > 2 and (rows[:, 1:] < 128).all() and (rows[:, 0] > 127).all()
    )


def _septets(piece: NDArray[np.uint8], first: int, order: ByteOrder) -> Iterator[Encoded]:
    """Seven bits a byte; the bits of each number in either order, as such devices mix them."""
    orders: tuple[ByteOrder, ...] = (order, "little" if order == "big" else "big")
    for each in orders:
        ordered = piece if each == "big" else piece[:, ::-1]
        value = np.zeros(piece.shape[0], np.int64)
        for place in range(piece.shape[1]):
            value = 128 * value + ordered[:, place]
        size = piece.shape[1]
        can = _VALUES | {"counts", "sequence"}
        gained = 4.0 * size - (each != order)
        sent = value.astype(np.float64)
        own = None if each == order else each
        span = 128**size
        yield Encoded(first, size, f"septet{size}", sent, value, span, 0, gained, can, order=own)


def _digits(rows: NDArray[np.uint8], first: int) -> Iterator[Encoded]:
    """Text of digits: as long as every byte is a digit, a space, a sign or a point.

    In place of a number there may be a text without a digit, such as dashes or spaces.
    """
    text = rows[:, first : first + _MOST_DIGITS + 1]
    digit = (text >= 0x30) & (text <= 0x39)
    filler = np.isin(text, np.frombuffer(b" +-.", np.uint8))
    printable = (text >= 0x20) & (text < 0x7F)
    usable = (digit | filler).mean(axis=0) > 0.5
    usable &= printable.all(axis=0) | ((digit | filler).mean(axis=0) > 0.97)
    longest = int(usable.argmin()) if not usable.all() else usable.size
    before = rows[:, first - 1] if first else None
    within = before is not None and _is_digit(before) and _is_digit(rows[:, first])
    if before is not None and within and not (before == before[0]).all():
        return
    for size in range(2, min(longest, _MOST_DIGITS) + 1):
        some = digit[:, :size].any(axis=1)
        if some.mean() < 0.5 or not _is_digit(text[some, size - 1]):
            continue
        if size < usable.size and size != longest and _is_digit(text[some, size]):
            continue
        piece = np.ascontiguousarray(text[:, :size])
        values = np.full(text.shape[0], np.nan)
        pointed = False
        for at in np.flatnonzero(some).tolist():
            number = piece[at].tobytes()
            try:
                values[at] = float(number)
            except ValueError:
                continue
            pointed |= b"." in number
        good = np.isfinite(values)
        if good.mean() < 0.5 or good[some].mean() < 0.97:
            continue
        missing = np.asarray(~some, np.bool_)
        absent = _patterns(piece, missing) if missing.any() else ()
        if absent is None:
            continue
        can = _VALUES if pointed else _VALUES | {"counts", "sequence"}
        places = (
            (size - 1 - int(np.median(np.argmax(piece[some] == 0x2E, axis=1)))) if pointed else 0
        )
        known = np.where(good, values, 0.0)
        steps = _filled(np.round(known * 10**places).astype(np.int64), good)
        different = sum(np.unique(text[some, at]).size for at in range(size))
        gained = min(80.0, 3.0 * different)
        yield Encoded(first, size, f"digits{size}", values, steps, None, 0, gained, can, absent)


def _is_digit(column: NDArray[np.uint8]) -> bool:
    return bool(((column >= 0x30) & (column <= 0x39)).mean() > 0.97)
