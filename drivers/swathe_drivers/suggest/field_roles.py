"""Bytes of frames divided into fields, and what these are."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.display import match_shown
from swathe_drivers.suggest.encodings import Encoded, encodings_at
from swathe_drivers.suggest.flags import Flag
from swathe_drivers.suggest.frame_items import series_of
from swathe_drivers.suggest.halves import without_halves
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.probe_columns import with_inputs
from swathe_drivers.suggest.roles import Roles, assign
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.tiling import sampled_rows, tiled

__all__ = ["roles_of"]

_FLAG_NUMBERS: Final = 16
_WORTH_SHOWN: Final = 60.0
_WORTH_NUMBERED: Final = 40.0


def roles_of(
    rows: NDArray[np.uint8],
    times: NDArray[np.float64],
    order: ByteOrder,
    hints: Hints,
    *,
    first: int = 0,
    sizes: Sequence[int] | None = None,
    apart: frozenset[int] = frozenset(),
) -> tuple[float, list[Encoded], Roles]:
    """Divide bytes into fields, and find what they are.

    Args:
        rows: frames without their checksum, shape (n, length).
        times: of each frame, s, shape (n,).
        order: of the bytes of numbers.
        hints: what is known beforehand.
        first: byte at which fields begin.
        sizes: of numbers; None: any.
        apart: bytes of the frame that are known to be none of what is looked for.

    Returns:
        Bits that the division takes, the fields, and what each is.
    """
    shows = [shown for shown in hints.shows if shown.quantity in ("thickness", "position")]
    picked = sampled_rows(rows.shape[0])

    def worth(one: Encoded) -> float:
        gain = _WORTH_NUMBERED if _is_numbered(one) else 0.0
        wanted = {shown.quantity for shown in shows} & one.can
        if not wanted or np.unique(one.values[np.isfinite(one.values)]).size <= 3:
            return gain
        values = series_of(0, one, times[picked])
        for quantity in wanted:
            match = match_shown(values, hints.of(quantity))
            if match is not None:
                gain = max(gain, 15.0 - 15.0 * match.chance if match.scale in _TENS else 10.0)
        return min(gain, _WORTH_SHOWN)

    cost, fields = tiled(rows[picked], order, worth=worth, first=first, sizes=sizes, apart=apart)
    full = [_whole(one, rows, order) for one in fields]
    roles = _assigned(full, times, hints, apart)
    for at, one in enumerate(full):
        role = roles.of.get(at)
        if role is None or role.kind != "ignore" or not _holds_flags(one, rows):
            continue
        split = [next(encodings_at(rows, one.first + byte, order)) for byte in range(one.size)]
        again = [*full[:at], *split, *full[at + 1 :]]
        better = _assigned(again, times, hints, apart)
        if better.score > roles.score + 4.0:
            return cost, again, without_halves(again, rows, better)
    return cost, full, without_halves(full, rows, roles)


def _is_numbered(one: Encoded) -> bool:
    """It goes up by 1 from frame to frame."""
    if one.kind[0] not in "ub" or one.span is None:
        return False
    return float(np.mean(np.diff(one.steps) % one.span == 1)) > 0.95


def _holds_flags(one: Encoded, rows: NDArray[np.uint8]) -> bool:
    """A number nobody knows of which one byte takes few values, and another many."""
    if one.size < 2 or one.kind[0] not in "ui":
        return False
    numbers = [np.unique(rows[:, one.first + at]).size for at in range(one.size)]
    return max(numbers) > _FLAG_NUMBERS and any(2 <= n <= _FLAG_NUMBERS for n in numbers)


def _assigned(
    full: Sequence[Encoded],
    times: NDArray[np.float64],
    hints: Hints,
    apart: frozenset[int],
) -> Roles:
    """The roles of fields."""
    series: list[Series] = []
    flags: list[Flag] = []
    for key, one in enumerate(full):
        if one.first in apart:
            continue
        numbers = series_of(key, one, times)
        series.append(numbers)
        different = np.unique(one.steps).size
        if one.kind in ("u1", "u2", "u4") and 2 <= different <= _FLAG_NUMBERS:
            flags.append(Flag(key, numbers=one.steps))
    few = {flag.key for flag in flags if np.unique(full[flag.key].steps).size <= 4}
    moving = [one for one in series if one.key not in few]
    return with_inputs(assign(moving, flags, hints), series)


_TENS: Final = frozenset(10.0**-power for power in range(5))


def _whole(one: Encoded, rows: NDArray[np.uint8], order: ByteOrder) -> Encoded:
    """A field over all frames, as the division looked at some of them only."""
    if one.values.size == rows.shape[0]:
        return one
    again = [e for e in encodings_at(rows, one.first, order) if e.size == one.size]
    same = [e for e in again if (e.kind, e.order) == (one.kind, one.order)] or [
        e for e in again if e.kind[0] == one.kind[0]
    ]
    return next(iter(same or again), one)
