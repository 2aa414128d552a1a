"""Captured bytes, and frames as one way of cutting gives them."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEWEST_FRAMES", "CapturedBytes", "Framed", "has_lengths", "matrix_of"]

FEWEST_FRAMES: Final = 10
"""Of fewer frames nothing can be said."""
_PAUSE_NS: Final = 1_500_000  # so long a silence ends a burst


@dataclass(frozen=True, slots=True, eq=False)
class CapturedBytes:
    """What was captured.

    Attributes:
        data: all bytes.
        starts: offset of each chunk, shape (n,).
        times: its arrival, ns, shape (n,).
    """

    data: bytes
    starts: NDArray[np.int64]
    times: NDArray[np.int64]

    @classmethod
    def of(cls, chunks: Sequence[tuple[int, bytes]]) -> "CapturedBytes":
        """Join chunks."""
        sizes = np.array([0, *(len(data) for _, data in chunks)], np.int64)
        times = np.array([time for time, _ in chunks], np.int64)
        return cls(b"".join(data for _, data in chunks), np.cumsum(sizes)[:-1], times)

    def seconds_at(self, offsets: Sequence[int]) -> NDArray[np.float64]:
        """Time of arrival of bytes since the first chunk, s, shape (n,)."""
        at = np.searchsorted(self.starts, np.array(offsets), side="right") - 1
        return np.asarray((self.times[at] - self.times[0]) / 1e9, np.float64)

    @property
    def bursts(self) -> NDArray[np.int64]:
        """Offsets of the bytes that came behind a silence, shape (n,)."""
        quiet = np.diff(self.times, prepend=self.times[0]) > _PAUSE_NS
        return self.starts[quiet]


@dataclass(frozen=True, slots=True, eq=False)
class Framed:
    """Frames of the most frequent length as one way of cutting gives them.

    Attributes:
        table: the framing's settings.
        rows: bytes of each frame as the checksum and the fields count them, shape (n, length).
        offsets: of their first bytes in the stream.
        first: byte of a frame at which fields begin.
        share: of the bytes that these frames take.
        why: what shows the framing.
        varying: frames of other lengths are there, too.
        length_at: place of a length field, its size and byte order.
        rank: of the start, where several are possible.
        every: offset and bytes of each frame, where they are of several lengths or kinds.
        behind: bytes of a checksum behind the stop byte. Until it is found, that byte is before it in
            `rows` and `every`, where the framing has it covered.
    """

    table: dict[str, Any]
    rows: NDArray[np.uint8]
    offsets: list[int]
    first: int
    share: float
    why: str
    varying: bool = False
    length_at: tuple[int, int, str] | None = None
    rank: float = 0.0
    every: tuple[tuple[int, bytes], ...] = ()
    behind: int = 0


def has_lengths(frames: Sequence[bytes]) -> bool:
    """Whether a second length comes often enough to be that of another kind of frames."""
    usual = Counter(map(len, frames)).most_common(2)
    return len(usual) == 2 and usual[1][1] >= FEWEST_FRAMES


def matrix_of(
    frames: Sequence[bytes], offsets: Sequence[int]
) -> tuple[NDArray[np.uint8], list[int], bool] | None:
    """Frames of the most frequent length, their offsets, and whether there are others; None for too few."""
    lengths = Counter(len(frame) for frame in frames)
    if not lengths:
        return None
    # The longer of two frequent kinds has the reading, as a rule.
    length, number = max(lengths.items(), key=lambda item: (item[1] * item[0], item[0]))
    if number < FEWEST_FRAMES or length < 2:
        return None
    kept = [(at, frame) for at, frame in zip(offsets, frames, strict=True) if len(frame) == length]
    block = np.frombuffer(b"".join(frame for _, frame in kept), np.uint8)
    others = number < 0.97 * len(frames) - 2
    return block.reshape(len(kept), length), [at for at, _ in kept], others
