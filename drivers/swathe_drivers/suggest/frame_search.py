"""Where frames may begin and end in bytes that are no text."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["CapturedBytes", "Framed", "framings"]

_LONGEST: Final = 2048
_SHORTEST: Final = 3
_FEWEST_FRAMES: Final = 10
_SAME: Final = 0.95
_MOST_SYNC: Final = 2
_PAUSE_NS: Final = 1_500_000  # so long a silence ends a burst
_MOST_STARTS: Final = 40
_LENGTHS: Final = 8
"""Different lengths that frames of a device have at most, without a field for them."""


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


def framings(stream: CapturedBytes) -> Iterator[Framed]:
    """Every way of cutting the bytes into frames that has something to it."""
    yield from _slip(stream)
    yield from _start_stop(stream)
    yield from _length_prefixed(stream)
    yield from _fixed(stream)


def _matrix(
    frames: Sequence[bytes], offsets: Sequence[int]
) -> tuple[NDArray[np.uint8], list[int], bool] | None:
    """Frames of the most frequent length; None for too few."""
    lengths = Counter(len(frame) for frame in frames)
    if not lengths:
        return None
    # The longer of two frequent kinds has the reading, as a rule.
    length, number = max(lengths.items(), key=lambda item: (item[1] * item[0], item[0]))
    if number < _FEWEST_FRAMES or length < 2:
        return None
    kept = [(at, frame) for at, frame in zip(offsets, frames, strict=True) if len(frame) == length]
    block = np.frombuffer(b"".join(frame for _, frame in kept), np.uint8)
    others = number < 0.97 * len(frames) - 2
    return block.reshape(len(kept), length), [at for at, _ in kept], others


def _slip(stream: CapturedBytes) -> Iterator[Framed]:
    data = stream.data
    if data.count(0xC0) < _FEWEST_FRAMES:
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
    found = _matrix(frames, offsets)
    if found is None:
        return
    rows, where, others = found
    share = rows.size / len(data)
    if share < 0.4 or len(Counter(len(frame) for frame in frames)) > _LENGTHS:
        return
    why = f"{len(frames)} frames between bytes C0"
    why += f", in which DB is followed by DC or DD only, {good} times" if good else ""
    yield Framed({"kind": "slip"}, rows, where, 0, share, why, others, rank=2.0 + (good > 0))


def _start_stop(stream: CapturedBytes) -> Iterator[Framed]:
    data = stream.data
    counts = Counter(data)
    usual = [byte for byte, number in counts.most_common(14) if number >= _FEWEST_FRAMES]
    for start in usual:
        for stop in usual:
            if start == stop and start not in (0x7E, 0x7F, 0xC0, 0xAA, 0x55, 0xFF, 0x0D):
                continue
            yield from _between(data, start, stop, counts)


def _between(data: bytes, start: int, stop: int, counts: Counter[int]) -> Iterator[Framed]:
    if start == 0xC0 and stop == 0xC0:
        return
    mark = bytes([start])
    ends = bytes([stop])
    raw, offsets = [], []
    at = data.find(mark)
    while at >= 0:
        end = data.find(ends, at + 1)
        if end < 0:
            break
        if end > at + 1:
            again = data.rfind(mark, at + 1, end)
            at = max(at, again)
            raw.append(data[at + 1 : end])
            offsets.append(at)
        at = end if start == stop else data.find(mark, end + 1)
    if len(raw) < _FEWEST_FRAMES:
        return
    taken = sum(len(piece) + 2 - (start == stop) for piece in raw)
    if taken < 0.9 * len(data):
        return
    joined = b"".join(raw)
    for escape in (0x10, 0x7D, 0x1B, 0xDB, 0x5C, *(b for b, _ in counts.most_common(6))):
        if escape in (start, stop):
            continue
        behind = Counter(b for piece in raw for a, b in pairwise(piece) if a == escape)
        if behind.total() < 3:
            continue
        for xor in (0x20, 0x00, 0x80, 0xFF, 0x40, 0x10):
            wanted = {start ^ xor, stop ^ xor, escape ^ xor}
            if not (xor or escape == stop) and wanted & {start, stop}:
                continue
            if sum(behind[byte] for byte in wanted) < 0.98 * behind.total():
                continue
            frames = [_unescaped(piece, escape, xor) for piece in raw]
            found = _matrix(frames, offsets)
            if found is None or len(Counter(map(len, frames))) > _LENGTHS:
                continue
            rows, where, others = found
            table: dict[str, Any] = {
                "kind": "start_stop",
                "start": start,
                "stop": stop,
                "escape": escape,
            }
            table |= {"xor": xor} if xor else {}
            why = (
                f"{len(raw)} frames between {start:02X} and {stop:02X}; within them {escape:02X} is"
                f" followed by {', '.join(f'{byte:02X}' for byte in sorted(behind))} only, {behind.total()} times"
            )
            yield Framed(table, rows, where, 0, rows.size / len(data), why, others, rank=3.0)
    if start in joined or stop in joined:
        return
    found = _matrix(raw, offsets)
    if found is None or len(Counter(map(len, raw))) > 3:
        return
    rows, where, others = found
    why = f"{len(raw)} frames between {start:02X} and {stop:02X}"
    table = {"kind": "start_stop", "start": start, "stop": stop}
    yield Framed(table, rows, where, 0, rows.size / len(data), why, others, rank=0.0)


def _unescaped(piece: bytes, escape: int, xor: int) -> bytes:
    out = bytearray()
    escaped = False
    for byte in piece:
        if escaped:
            out.append(byte ^ xor)
            escaped = False
        elif byte == escape:
            escaped = True
        else:
            out.append(byte)
    return bytes(out)


def _length_prefixed(stream: CapturedBytes) -> Iterator[Framed]:
    """Sync bytes and, a little behind them, a number that is the distance to the next ones."""
    data = stream.data
    pairs = Counter(pairwise(data[:200_000]))
    syncs = [bytes(pair) for pair, number in pairs.most_common(10) if number >= _FEWEST_FRAMES]
    syncs += [bytes([byte]) for byte, n in Counter(data).most_common(6) if n >= _FEWEST_FRAMES]
    for sync in syncs:
        places = _all_places(data, sync)
        if len(places) < _FEWEST_FRAMES or len(places) > len(data) // 4:
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
    found = _matrix(frames, offsets)
    if found is None or len(lengths) < 2 or sum(map(len, frames)) < 0.85 * len(data):
        return None
    rows, where, others = found
    why = f"in {len(frames)} frames of {len(lengths)} lengths byte {at} plus {adds} is their length"
    table = {"kind": "length_prefix", "sync": list(sync), "adds": adds}
    return Framed(
        table, rows, where, len(sync), rows.size / len(data), why, others, (at, size, order), 3.0
    )


def _fixed(stream: CapturedBytes) -> Iterator[Framed]:
    """Frames of one length, by the distance at which bytes come again."""
    block = np.frombuffer(stream.data, np.uint8)
    for length in _periods(block):
        yield from _of_length(stream, block, length)


def _periods(block: NDArray[np.uint8]) -> list[int]:
    """The distances at which most bytes are the same again, the best first."""
    longest = min(_LONGEST, block.size // _FEWEST_FRAMES)
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
    found: list[int] = []
    for lag in good:
        if not any(lag % other == 0 for other in found):
            found.append(lag)
        if len(found) == 3:
            break
    return found


def _of_length(stream: CapturedBytes, block: NDArray[np.uint8], length: int) -> Iterator[Framed]:
    data = stream.data
    whole = block[: block.size // length * length].reshape(-1, length)
    part = whole if whole.shape[0] <= 400 else whole[:400]
    usual = np.array([np.bincount(part[:, at], minlength=256).argmax() for at in range(length)])
    steady = (part == usual).mean(axis=0) >= (_SAME if part.shape[0] > 20 else 1.0)
    if not steady.any():
        part = whole[: 4 * _FEWEST_FRAMES]
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
            if len(offsets) < _FEWEST_FRAMES:
                continue
            rows = np.stack([block[one : one + length] for one in offsets])
            share = rows.size / len(data)
            why = (
                f"{len(offsets)} frames, {length} bytes from one to the next, in which the bytes"
                f" {sync.hex(' ').upper()} are always the same"
            )
            table = {"kind": "fixed", "sync": list(sync), "length": length}
            yield Framed(table, rows, offsets, size, share, why, rank=rank + 0.2 * (size - 1))


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
