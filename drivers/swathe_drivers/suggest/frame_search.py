"""Where frames may begin and end in bytes that are no text."""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.doubled_search import doubled
from swathe_drivers.suggest.escaped_search import start_stop
from swathe_drivers.suggest.frame_capture import (
    FEWEST_FRAMES,
    CapturedBytes,
    Framed,
    has_lengths,
    matrix_of,
)
from swathe_drivers.suggest.frame_kinds import kind_place

__all__ = ["framings"]

_LONGEST: Final = 2048
_SHORTEST: Final = 3
_SAME: Final = 0.95
_MOST_SYNC: Final = 2
_MOST_STARTS: Final = 40
_ALIGNED: Final = 0.6
"""Of the bursts, those that begin at the same place of a frame, where that shows where it begins."""
_LENGTHS: Final = 8
"""Different lengths that frames of a device have at most, without a field for them."""


def framings(stream: CapturedBytes) -> Iterator[Framed]:
    """Every way of cutting the bytes into frames that has something to it."""
    yield from _slip(stream)
    yield from start_stop(stream)
    yield from doubled(stream)
    yield from _length_prefixed(stream)
    yield from _fixed(stream)


def _slip(stream: CapturedBytes) -> Iterator[Framed]:
    data = stream.data
    if data.count(0xC0) < FEWEST_FRAMES:
        return
    followers = Counter(b for a, b in pairwise(data) if a == 0xDB)
    good = followers[0xDC] + followers[0xDD]
    if followers.total() and good < 0.95 * followers.total():
        return
    frames, offsets = [], []
    at = data.find(0xC0) + 1
    while (end := data.find(0xC0, at)) >= 0:
        if end > at:
            frames.append(data[at:end].replace(b"\xdb\xdc", b"\xc0").replace(b"\xdb\xdd", b"\xdb"))
            offsets.append(at - 1)
        at = end + 1
    found = matrix_of(frames, offsets)
    if found is None:
        return
    rows, where, others = found
    share = rows.size / len(data)
    if share < 0.4 or len(Counter(len(frame) for frame in frames)) > _LENGTHS:
        return
    why = f"{len(frames)} frames between bytes C0"
    why += f", in which DB is followed by DC or DD only, {good} times" if good else ""
    every = tuple(zip(offsets, frames, strict=True)) if others or has_lengths(frames) else ()
    rank = 2.0 + (good > 0)
    yield Framed({"kind": "slip"}, rows, where, 0, share, why, others, rank=rank, every=every)


def _length_prefixed(stream: CapturedBytes) -> Iterator[Framed]:
    """Sync bytes and, a little behind them, a number that is the distance to the next ones."""
    data = stream.data
    pairs = Counter(pairwise(data[:200_000]))
    syncs = [bytes(pair) for pair, number in pairs.most_common(10) if number >= FEWEST_FRAMES]
    syncs += [bytes([byte]) for byte, n in Counter(data).most_common(6) if n >= FEWEST_FRAMES]
    for sync in syncs:
        places = _all_places(data, sync)
        if len(places) < FEWEST_FRAMES or len(places) > len(data) // 4:
            continue
        for behind in range(4):
            at = len(sync) + behind
            for size, order in ((1, "big"), (2, "big"), (2, "little")):
                found = _by_length(stream, sync, places, at, size, order)
                if found is not None:
                    yield found


def _all_places(data: bytes, sync: bytes) -> list[int]:
    places = []
    at = data.find(sync)
    while at >= 0:
        places.append(at)
        at = data.find(sync, at + 1)
    return places


def _by_length(
    stream: CapturedBytes,
    sync: bytes,
    places: Sequence[int],
    at: int,
    size: int,
    order: Any,  # noqa: ANN401
) -> Framed | None:
    data = stream.data
    known = [p for p in places if p + at + size <= len(data)]
    numbers = [int.from_bytes(data[p + at : p + at + size], order) for p in known]
    whole = set(places)
    votes: Counter[int] = Counter()
    for (p, following), number in zip(pairwise(known), numbers, strict=False):
        votes[following - p - number] += 1
    if not votes:
        return None
    adds, number = votes.most_common(1)[0]
    if not -8 <= adds <= 32 or number < 0.6 * votes.total():
        return None
    frames, offsets, position = [], [], known[0]
    sizes = dict(zip(known, numbers, strict=True))
    while position is not None and position in sizes:
        length = sizes[position] + adds
        end = position + length
        if length > at + size and (end in whole or end >= len(data) - 1):
            if end <= len(data):
                frames.append(data[position:end])
                offsets.append(position)
            position = end
        else:
            position = next((p for p in known if p > position), None)  # type: ignore[assignment]
    lengths = Counter(map(len, frames))
    found = matrix_of(frames, offsets)
    if found is None or len(lengths) < 2 or sum(map(len, frames)) < 0.85 * len(data):
        return None
    rows, where, others = found
    why = f"in {len(frames)} frames of {len(lengths)} lengths byte {at} plus {adds} is their length"
    table = {"kind": "length_prefix", "sync": list(sync), "adds": adds}
    return Framed(
        table=table,
        rows=rows,
        offsets=where,
        first=len(sync),
        share=rows.size / len(data),
        why=why,
        varying=others,
        length_at=(at, size, order),
        rank=3.0,
        every=tuple(zip(offsets, frames, strict=True)),
    )


def _fixed(stream: CapturedBytes) -> Iterator[Framed]:
    """Frames of one length, by the distance at which bytes come again."""
    block = np.frombuffer(stream.data, np.uint8)
    yield from _by_first_byte(block)
    lengths = _periods(block)
    apart = np.diff(stream.bursts)
    if apart.size >= FEWEST_FRAMES:
        usual, counts = np.unique(apart, return_counts=True)
        often = int(usual[counts.argmax()])
        if counts.max() >= _ALIGNED * apart.size and _SHORTEST <= often <= _LONGEST:
            lengths = [*lengths, *({often} - {*lengths})]
            yield from _unmarked(stream, block, often)
    for length in lengths:
        yield from _of_length(stream, block, length)


def _periods(block: NDArray[np.uint8]) -> list[int]:
    """The distances at which most bytes are the same again, the best first."""
    longest = min(_LONGEST, block.size // FEWEST_FRAMES)
    sample = block[:200_000]
    shares = np.zeros(longest + 1)
    for lag in range(_SHORTEST, longest + 1):
        shares[lag] = np.mean(sample[lag:] == sample[:-lag])
    if longest < _SHORTEST:
        return []
    top = float(shares.max())
    usual = float(np.median(shares[_SHORTEST:]))
    good = [
        lag
        for lag in range(_SHORTEST, longest + 1)
        if shares[lag] >= usual + 0.75 * (top - usual) and shares[lag] > 0.1
    ]
    # Where several kinds of frames come in turn, their turn is more alike than one frame is to the next.
    parts = [
        part
        for lag in good
        for part in range(_SHORTEST, lag // 2 + 1)
        if lag % part == 0 and _has_mark(sample, part)
    ]
    found: list[int] = []
    for lag in sorted({*good, *parts}):
        if not any(lag % other == 0 for other in found):
            found.append(lag)
        if len(found) == 3:
            break
    return found


def _has_mark(sample: NDArray[np.uint8], length: int) -> bool:
    """Whether one byte of each `length` is nearly always the same, and not 0."""
    rows = sample[: sample.size // length * length].reshape(-1, length)
    usual = np.median(rows, axis=0).astype(np.uint8)
    return bool((((rows == usual).mean(axis=0) >= _SAME) & (usual != 0)).any())


def _of_length(stream: CapturedBytes, block: NDArray[np.uint8], length: int) -> Iterator[Framed]:
    data = stream.data
    whole = block[: block.size // length * length].reshape(-1, length)
    part = whole if whole.shape[0] <= 400 else whole[:400]
    usual = np.array([np.bincount(part[:, at], minlength=256).argmax() for at in range(length)])
    steady = (part == usual).mean(axis=0) >= (_SAME if part.shape[0] > 20 else 1.0)
    if not steady.any():
        part = whole[: 4 * FEWEST_FRAMES]
        usual = np.array([np.bincount(part[:, at], minlength=256).argmax() for at in range(length)])
        steady = (part == usual).mean(axis=0) >= _SAME
    if not steady.any():
        return
    votes = Counter((stream.bursts % length).tolist())
    bursts = max(1, votes.total())
    ranked = []
    for at in np.flatnonzero(steady).tolist():
        run = 1
        while run < length and steady[(at + run) % length]:
            run += 1
        begins = not steady[at - 1]
        rank = (
            3.0 * votes[at] / bursts
            + 0.3 * begins
            + 0.1 * min(run, 4)
            - 0.5 * (usual[at] in (0, 0xFF))
        )
        ranked.append((rank, at, run))
    ranked.sort(reverse=True)
    for rank, at, run in ranked[:_MOST_STARTS]:
        for size in sorted({1, min(run, _MOST_SYNC)}, reverse=True):
            sync = bytes(usual[(at + k) % length] for k in range(size))
            if size > 1 and sync[-1] == 0:
                continue
            offsets = _steps(data, sync, length)
            if len(offsets) < FEWEST_FRAMES:
                continue
            rows = np.stack([block[one : one + length] for one in offsets])
            share = rows.size / len(data)
            why = (
                f"{len(offsets)} frames, {length} bytes from one to the next, in which the bytes"
                f" {sync.hex(' ').upper()} are always the same"
            )
            table = {"kind": "fixed", "sync": list(sync), "length": length}
            every = tuple(zip(offsets, (row.tobytes() for row in rows), strict=True))
            place = kind_place([frame for _, frame in every], size)
            yield Framed(
                table=table,
                rows=rows,
                offsets=offsets,
                first=size,
                share=share,
                why=why,
                rank=rank + 0.2 * (size - 1),
                every=every if place is not None else (),
            )


def _unmarked(stream: CapturedBytes, block: NDArray[np.uint8], length: int) -> Iterator[Framed]:
    """Frames that nothing marks but the silence before them: only a checksum shows them afterwards."""
    bursts = stream.bursts
    if bursts.size < FEWEST_FRAMES:
        return
    kept = bursts[:-1][np.diff(bursts) == length]
    if kept.size < _ALIGNED * bursts.size:
        return
    rows = np.stack([block[one : one + length] for one in kept.tolist()])
    why = (
        f"{kept.size} times {length} bytes between silences; a checksum shows where a frame begins"
    )
    table = {"kind": "fixed", "length": length}
    rank = 3.0 * kept.size / bursts.size - 0.2
    yield Framed(table, rows, kept.tolist(), 0, rows.size / block.size, why, rank=rank)


def _by_first_byte(block: NDArray[np.uint8]) -> Iterator[Framed]:
    """Frames of which no byte but the first has bit 7, or each but the first."""
    high = block > 127
    for value in (0x80, 0):
        starts = np.flatnonzero(high == (value > 0))
        if starts.size < FEWEST_FRAMES:
            continue
        length = int(np.median(np.diff(starts)))
        if length < _SHORTEST:
            continue
        kept = starts[:-1][np.diff(starts) == length]
        if kept.size < _SAME * (starts.size - 1):
            continue
        rows = np.stack([block[one : one + length] for one in kept.tolist()])
        which = "only the first byte has" if value else "each byte but the first has"
        why = f"{kept.size} times {length} bytes of which {which} bit 7"
        table = {"kind": "fixed", "first": {"mask": 0x80, "value": value}, "length": length}
        share = rows.size / block.size
        yield Framed(table, rows, kept.tolist(), 0, share, why, rank=4.0)


def _steps(data: bytes, sync: bytes, length: int) -> list[int]:
    """Offsets of frames, each with the sync bytes and, one length on, again."""
    found = []
    at = data.find(sync)
    while 0 <= at <= len(data) - length:
        after = at + length
        if data.startswith(sync, after) or after + len(sync) > len(data):
            found.append(at)
            at = after
        else:
            at = data.find(sync, at + 1)
    return found
