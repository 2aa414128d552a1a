"""Batches put together, and compared."""

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.abc import Decoder, NumberingDecoder
from swathe_drivers.checked_batch import BatchCheck
from swathe_drivers.records import MAX_FAULTS, Batch, Fault, FaultReason

MS: Final = 1_000_000
"""ns in a millisecond."""


class CheckedDecoder:
    """Feeds a decoder, and fails a test with the first batch that breaks what `abc` promises."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._numbering = isinstance(decoder, NumberingDecoder)
        self._begin(0)

    def _begin(self, offset: int) -> None:
        self._check = BatchCheck(self._decoder, numbering=self._numbering, offset=offset)
        self._pending, self._end = 0, offset

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk."""
        return self._checked(self._decoder.feed(data, time_ns), len(data), time_ns)

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode chunks."""
        size = sum(len(data) for _, data in chunks)
        return self._checked(self._decoder.feed_chunks(chunks), size, chunks[-1][0])

    def reset(self, offset: int) -> Batch:
        """Continue the stream at `offset`."""
        batch = self._checked(self._decoder.reset(offset), 0, None)
        self._begin(offset)
        return batch

    def _checked(self, batch: Batch, size: int, time_ns: int | None) -> Batch:
        self._pending += size
        self._end += size
        found = self._check.problem(batch, pending=self._pending, end=self._end, time_ns=time_ns)
        assert not found, f"the decoder {found}"
        self._pending -= batch.record_bytes + batch.fault_bytes + batch.ignored_bytes
        return batch


@dataclass(frozen=True, slots=True, eq=False)
class Total:
    """All batches of a stream put together; see `Batch`."""

    readings: NDArray[Any]
    positions: NDArray[Any]
    waveforms: NDArray[Any] | None
    channels: NDArray[np.float64] | None
    readings_known_at: NDArray[np.int64]
    positions_known_at: NDArray[np.int64]
    readings_request: NDArray[np.int64]
    positions_request: NDArray[np.int64]
    faults: tuple[Fault, ...]
    n_faults: Counter[FaultReason]
    n_ignored: int
    n_missing: int
    record_bytes: int
    fault_bytes: int
    ignored_bytes: int
    batches: tuple[Batch, ...]

    @property
    def records(self) -> int:
        """How many records there are."""
        return int(max(self.readings.size, self.positions.size))

    @property
    def bytes(self) -> int:
        """Bytes accounted for."""
        return self.record_bytes + self.fault_bytes + self.ignored_bytes


def total(batches: Iterable[Batch]) -> Total:
    """Put batches together, at least one."""
    found = tuple(batches)
    n_faults: Counter[FaultReason] = Counter()
    for batch in found:
        n_faults.update(batch.n_faults)
    waveforms = [batch.waveforms for batch in found if batch.waveforms is not None]
    assert len(waveforms) in (0, len(found)), "A-scans come with each batch or with none"
    channels = [batch.channels for batch in found if batch.channels is not None]
    assert len(channels) in (0, len(found)), "channels come with each batch or with none"
    return Total(
        readings=np.concatenate([batch.readings for batch in found]),
        positions=np.concatenate([batch.positions for batch in found]),
        waveforms=np.concatenate(waveforms) if waveforms else None,
        channels=np.concatenate(channels) if channels else None,
        readings_known_at=np.concatenate([batch.readings_known_at for batch in found]),
        positions_known_at=np.concatenate([batch.positions_known_at for batch in found]),
        readings_request=np.concatenate([batch.readings_request for batch in found]),
        positions_request=np.concatenate([batch.positions_request for batch in found]),
        faults=tuple(fault for batch in found for fault in batch.faults)[-MAX_FAULTS:],
        n_faults=n_faults,
        n_ignored=sum(batch.n_ignored for batch in found),
        n_missing=sum(batch.n_missing or 0 for batch in found),
        record_bytes=sum(batch.record_bytes for batch in found),
        fault_bytes=sum(batch.fault_bytes for batch in found),
        ignored_bytes=sum(batch.ignored_bytes for batch in found),
        batches=found,
    )


def random_pieces(data: bytes, source: random.Random, *, cuts: int = 12) -> list[bytes]:
    """Cut bytes at random places, fewer than `cuts`."""
    places = sorted(source.randrange(len(data) + 1) for _ in range(source.randrange(cuts)))
    return [data[start:end] for start, end in zip([0, *places], [*places, len(data)], strict=True)]


def at_times(
    pieces: Iterable[bytes], source: random.Random, *, silence_ns: int = 0
) -> list[tuple[int, bytes]]:
    """Give pieces times of arrival: at once, shortly after each other, or after a silence."""
    now, chunks = MS, []
    for piece in pieces:
        now += source.choice([0, 1000, MS, silence_ns])
        chunks.append((now, piece))
    return chunks


def one_by_one(decoder: Decoder, chunks: Sequence[tuple[int, bytes]]) -> Total:
    """Feed each chunk alone; its records are known at its time. What has begun is dropped."""
    checked = CheckedDecoder(decoder)
    batches = [checked.reset(0)]
    for time, data in chunks:
        batch = checked.feed(data, time)
        batches.append(
            replace(
                batch,
                readings_known_at=np.full(batch.readings.size, time, np.int64),
                positions_known_at=np.full(batch.positions.size, time, np.int64),
            )
        )
    return total([*batches, checked.reset(sum(len(data) for _, data in chunks))])


def in_groups(
    decoder: Decoder, chunks: Sequence[tuple[int, bytes]], source: random.Random, *, most: int = 8
) -> Total:
    """Feed up to `most` chunks at a time. What has begun is dropped."""
    checked, done = CheckedDecoder(decoder), 0
    batches = [checked.reset(0)]
    while done < len(chunks):
        count = source.randrange(1, most + 1)
        batches.append(checked.feed_chunks(chunks[done : done + count]))
        done += count
    return total([*batches, checked.reset(sum(len(data) for _, data in chunks))])


def assert_same_columns(
    one: NDArray[Any], other: NDArray[Any], *, but: tuple[str, ...] = ("time",)
) -> None:
    """Equal columns besides `but`; NaN equals NaN."""
    assert one.dtype == other.dtype
    assert one.size == other.size, f"{one.size} records and {other.size}"
    for name in one.dtype.names or ():
        if name not in but:
            np.testing.assert_array_equal(one[name], other[name], err_msg=name)


def assert_same_records(one: Total, other: Total, *, but: tuple[str, ...] = ("time",)) -> None:
    """Equal records of both kinds besides `but`, and equal A-scans."""
    assert_same_columns(one.readings, other.readings, but=but)
    assert_same_columns(one.positions, other.positions, but=but)
    assert (one.waveforms is None) == (other.waveforms is None)
    if one.waveforms is not None and other.waveforms is not None:
        np.testing.assert_array_equal(one.waveforms, other.waveforms)
    assert (one.channels is None) == (other.channels is None)
    if one.channels is not None and other.channels is not None:
        np.testing.assert_array_equal(one.channels, other.channels)


def assert_same_account(one: Total, other: Total) -> None:
    """The same became of the bytes."""
    for name in ("n_faults", "n_ignored", "record_bytes", "fault_bytes", "ignored_bytes"):
        assert getattr(one, name) == getattr(other, name), name


def assert_same_stream(one: Total, other: Total) -> None:
    """The same in every bit: records, when they began and became known, newest faults, counts."""
    assert_same_records(one, other, but=())
    for name in ("readings", "positions"):  # 0.0 equals -0.0, but not in every bit
        assert getattr(one, name).tobytes() == getattr(other, name).tobytes(), name
    assert_same_account(one, other)
    assert one.faults == other.faults
    np.testing.assert_array_equal(one.readings_known_at, other.readings_known_at)
    np.testing.assert_array_equal(one.positions_known_at, other.positions_known_at)
