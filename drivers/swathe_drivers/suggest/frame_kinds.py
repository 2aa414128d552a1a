"""Frames of several kinds: which byte or length tells them apart."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["FrameKind", "kind_place", "kinds_of_frames", "shared_numbers"]

_FEWEST: Final = 8
_MIN_SHARE: Final = 0.005
_MOST_KINDS: Final = 6
_MOST_PLACES: Final = 5
_NUMBERED: Final = 0.9
_ALTERNATES: Final = 0.5
"""Of the changes that kinds in random order make, those that a byte makes at least if it is the kind's."""


@dataclass(frozen=True, slots=True, eq=False)
class FrameKind:
    """Frames of one length and, where a byte tells kinds apart, with one number in it.

    Attributes:
        rows: bytes of each, shape (n, length).
        offsets: of their first bytes in the stream.
        place, value: the byte that tells the kind, and its number; None where only the length does.
    """

    rows: NDArray[np.uint8]
    offsets: list[int]
    place: int | None
    value: int | None

    @property
    def length(self) -> int:
        """Bytes of a frame."""
        return int(self.rows.shape[1])


def kind_place(frames: Sequence[bytes], first: int) -> int | None:
    """Return the byte that tells the kinds of frames apart; None if none does.

    It takes few numbers, and changes as often as kinds do that come in turn; a status takes few as well
    and stays what it is for long.

    Args:
        frames: in their order, of several lengths.
        first: byte at which fields begin.
    """
    shortest = min(map(len, frames), default=0)
    for place in range(first, min(shortest, first + _MOST_PLACES)):
        numbers = np.array([frame[place] for frame in frames], np.int64)
        _, counts = np.unique(numbers, return_counts=True)
        often = counts >= max(_FEWEST, _MIN_SHARE * numbers.size)
        if (
            not 2 <= np.count_nonzero(often) <= _MOST_KINDS
            or counts[~often].sum() > 0.01 * numbers.size + 1
        ):
            continue
        if (
            np.mean(np.diff(numbers) % max(2, int(numbers.max()) + 1) == 1) > _NUMBERED
            and np.count_nonzero(often) > 2
        ):
            continue  # a running number of few bits
        shares = counts / counts.sum()
        expected = 1.0 - float((shares**2).sum())
        changes = float(np.mean(numbers[1:] != numbers[:-1]))
        if expected < 0.01 or changes < _ALTERNATES * expected:
            continue
        # Each number of it goes with one length, or nearly so.
        together = Counter((frame[place], len(frame)) for frame in frames)
        kept = sum(1 for number in together.values() if number >= _FEWEST)
        if kept <= 2 * np.count_nonzero(often):
            return place
    return None


def kinds_of_frames(every: Sequence[tuple[int, bytes]], first: int) -> list[FrameKind]:
    """Return the kinds of frames, those with most bytes first.

    Args:
        every: offset and bytes of each frame, in their order.
        first: byte at which fields begin.
    """
    frames = [frame for _, frame in every]
    lengths = Counter(map(len, frames))
    usual = {length for length, number in lengths.items() if number >= _FEWEST}
    kept = [(at, frame) for at, frame in every if len(frame) in usual and len(frame) > first]
    place = kind_place([frame for _, frame in kept], first)
    groups: dict[tuple[int, int | None], list[tuple[int, bytes]]] = {}
    for at, frame in kept:
        value = None if place is None else frame[place]
        groups.setdefault((len(frame), value), []).append((at, frame))
    found = []
    for (length, value), group in groups.items():
        if len(group) < max(_FEWEST, _MIN_SHARE * len(kept)):
            continue
        block = np.frombuffer(b"".join(frame for _, frame in group), np.uint8)
        rows = block.reshape(len(group), length)
        found.append(FrameKind(rows, [at for at, _ in group], place, value))
    return sorted(found, key=lambda kind: -kind.rows.size)


def shared_numbers(every: Sequence[tuple[int, bytes]], first: int) -> frozenset[int]:
    """Return the bytes that go up by 1 from frame to frame whatever kind it is of.

    Args:
        every: offset and bytes of each frame, in their order.
        first: byte at which fields begin.
    """
    shortest = min((len(frame) for _, frame in every), default=0)
    found = []
    for place in range(first, min(shortest, first + _MOST_PLACES)):
        numbers = np.array([frame[place] for _, frame in every], np.int64)
        if numbers.size > _FEWEST and np.mean(np.diff(numbers) % 256 == 1) > _NUMBERED:
            found.append(place)
    return frozenset(found)
