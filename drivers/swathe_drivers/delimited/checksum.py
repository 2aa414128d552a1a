"""Checksums of lines, for all lines of a chunk at once."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.checksums import Crc, as_sent, simple_sums
from swathe_drivers.delimited.checksum_settings import (
    LineCrc,
    LineSum,
    sum_bytes,
    sum_length,
)
from swathe_drivers.delimited.notation import DIGITS


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Result of checking n lines.

    Attributes:
        ends: index of the end of each line's body, which is where its marker begins.
        present: the line has a checksum where it belongs.
        sent: the checksum in the line, where present.
        computed: the checksum of the line, where present.
    """

    ends: NDArray[np.int64]
    present: NDArray[np.bool_]
    sent: NDArray[np.uint32]
    computed: NDArray[np.uint32]


class LineChecker:
    """Checks one kind of checksum of lines."""

    def __init__(self, settings: LineSum | LineCrc, terminator: bytes) -> None:
        """Lines end with `terminator`."""
        self._settings = settings
        self._crc: Crc | None = settings.crc() if isinstance(settings, LineCrc) else None
        self._size = sum_bytes(settings)
        self._length = sum_length(settings)
        behind = settings.behind_terminator
        self.tail: Final = self._length if behind else 0
        """Bytes of the checksum behind the terminator."""
        self._inside = 0 if behind else self._length
        self._marker = settings.after.encode("latin-1")
        counted = terminator if behind else self._marker
        self._added = len(counted) if settings.after_counts else 0
        self._at = len(terminator) if behind else 0
        self._modulo = settings.modulo if isinstance(settings, LineSum) else None
        self._quick = (
            self._crc is None
            and settings.kind not in ("sum16", "fletcher16")
            and settings.over == "text"
            and self._modulo is None
        )

    def check(
        self, block: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> Sums:
        """Checksums of the lines `block[starts[i]:ends[i]]`.

        Every end must be a valid index of `block`, which a terminator behind the line ensures.
        """
        bodies = ends - (self._inside + len(self._marker))
        firsts = starts + self._settings.first
        present = bodies >= firsts
        if not present.all():
            # Where the line is too short these indices are in the line before or wrap round; `present`
            # is False there, so that what is read doesn't matter.
            bodies = np.where(present, bodies, starts)
            firsts = np.where(present, firsts, starts)
        for index, byte in enumerate(self._marker):
            present &= block.take(bodies + index, mode="clip") == byte
        sent, right = self._sent(block, ends + self._at - self._inside)
        present &= right
        covered = bodies + self._added
        if self._quick:
            computed = self._sum(block, firsts, covered)
        else:
            computed = self._each(block, firsts, covered, present)
        if isinstance(own := self._settings, LineSum):
            names = ("negated", "mask", "not_below", "modulo")
            altered = {name: getattr(own, name) for name in names}
            computed = as_sent(computed, 8 * self._size, **altered)
        return Sums(bodies, present, sent, computed)

    def describe(self, sums: Sums, row: int) -> str:
        """The sentence for a line whose checksum is missing or wrong."""
        if sums.present[row]:
            if self._settings.written == "decimal":
                sent, computed = int(sums.sent[row]), int(sums.computed[row])
                return f"the line carries {sent} but its bytes give {computed}"
            digits = 2 * self._size
            return (
                f"the line carries {int(sums.sent[row]):0{digits}X}"
                f" but its bytes give {int(sums.computed[row]):0{digits}X}"
            )
        if self._settings.behind_terminator:
            return "no checksum behind the end of the line"
        where = f"after {self._settings.after!r} " if self._settings.after else ""
        return f"no checksum {where}at the end"

    def _sent(
        self, block: NDArray[np.uint8], at: NDArray[np.int64]
    ) -> tuple[NDArray[np.uint32], NDArray[np.bool_]]:
        """The checksums at indices `at`, and where there are any."""
        written = self._settings.written
        if written == "hex" and self._length == 2:  # as a rule
            high = DIGITS[block.take(at, mode="clip")]
            low = DIGITS[block.take(at + 1, mode="clip")]
            # What is no digit has bits above the lowest four; only then the sum overflows, harmlessly.
            return (high * np.uint8(16) + low).astype(np.uint32), (high | low) < 16
        base = {"hex": 16, "decimal": 10, "bytes": 256}[written]
        value = np.zeros(at.size, np.uint64)
        right = np.ones(at.size, np.bool_)
        for place in range(self._length):
            index = place
            if (
                self._settings.byte_order == "little"
            ):  # bytes from the last one on, digits as they are
                digits = 2 if written == "hex" else 1
                index = self._length - digits - place + 2 * (place % digits)
            char = block.take(at + index, mode="clip")
            digit = char if written == "bytes" else DIGITS[char]
            right &= digit < base
            value = value * np.uint64(base) + digit
        right &= value < 1 << 8 * self._size
        return value.astype(np.uint32), right

    def _sum(
        self, block: NDArray[np.uint8], firsts: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> NDArray[np.uint32]:
        """Exclusive or, or sum of one byte, of each piece, whatever their lengths."""
        bounds = np.empty(2 * firsts.size, np.int64)
        bounds[0::2] = firsts
        bounds[1::2] = ends
        if self._settings.kind == "xor":
            computed = np.bitwise_xor.reduceat(block, bounds)[0::2]
        else:
            computed = np.add.reduceat(block, bounds, dtype=np.uint8)[0::2]
        # `reduceat` gives the first byte, not zero, for an empty segment.
        if (empty := firsts == ends).any():
            computed = np.where(empty, np.uint8(0), computed)
        return computed.astype(np.uint32)

    def _each(
        self,
        block: NDArray[np.uint8],
        firsts: NDArray[np.int64],
        ends: NDArray[np.int64],
        present: NDArray[np.bool_],
    ) -> NDArray[np.uint32]:
        """The sum of each piece, as many at a time as are equally long; not `present`: no digits."""
        computed = np.zeros(firsts.size, np.uint32)
        lengths = ends - firsts
        for length in np.unique(lengths[present]).tolist():
            rows = np.flatnonzero(present & (lengths == length))
            pieces = block[firsts[rows, np.newaxis] + np.arange(length)]
            if self._settings.over == "hex":
                if length % 2:
                    present[rows] = False
                    continue
                digits = DIGITS[pieces]
                present[rows[(digits > 15).any(axis=1)]] = False
                pieces = digits[:, 0::2] * np.uint8(16) + (digits[:, 1::2] & np.uint8(15))
            if self._crc is not None:
                computed[rows] = self._crc.of(pieces)
            else:
                assert self._settings.kind != "crc"  # noqa: S101  for the type checker
                kind = "xor8" if self._settings.kind == "xor" else self._settings.kind
                computed[rows] = simple_sums(kind, pieces, self._modulo)
        return computed
