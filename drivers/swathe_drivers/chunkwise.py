"""A base for decoders that take one chunk at a time, and batches of a stream joined to one."""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swathe_drivers.records import MAX_FAULTS, Batch, FaultReason


class ChunkwiseDecoder(ABC):
    """Offers `feed_chunks` to a decoder that has `feed`; see `swathe_drivers.abc.Decoder`.

    Chunks are fed one after the other, so that the records are those of `feed` and each is known
    at the time of its chunk. A decoder that gains from many chunks at once has its own.
    """

    @abstractmethod
    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk, which arrived at `time_ns`; raises nothing."""

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        return joined([_known(self.feed(data, time), time) for time, data in chunks])


def joined(batches: Sequence[Batch]) -> Batch:
    """Return what consecutive batches of one decoder hold, at least one, as one batch."""
    if len(batches) == 1:
        return batches[0]
    n_faults: Counter[FaultReason] = Counter()
    for batch in batches:
        n_faults.update(batch.n_faults)
    waveforms = [batch.waveforms for batch in batches if batch.waveforms is not None]
    channels = [batch.channels for batch in batches if batch.channels is not None]
    missing = [batch.n_missing for batch in batches if batch.n_missing is not None]
    return Batch(
        readings=np.concatenate([batch.readings for batch in batches]),
        positions=np.concatenate([batch.positions for batch in batches]),
        waveforms=np.concatenate(waveforms) if waveforms else None,
        channels=np.concatenate(channels) if channels else None,
        readings_known_at=np.concatenate([batch.readings_known_at for batch in batches]),
        positions_known_at=np.concatenate([batch.positions_known_at for batch in batches]),
        readings_request=np.concatenate([batch.readings_request for batch in batches]),
        positions_request=np.concatenate([batch.positions_request for batch in batches]),
        combined=batches[0].combined,
        faults=tuple(fault for batch in batches for fault in batch.faults)[-MAX_FAULTS:],
        n_faults=dict(n_faults),
        n_ignored=sum(batch.n_ignored for batch in batches),
        n_missing=sum(missing) if missing else None,
        record_bytes=sum(batch.record_bytes for batch in batches),
        fault_bytes=sum(batch.fault_bytes for batch in batches),
        ignored_bytes=sum(batch.ignored_bytes for batch in batches),
    )


def _known(batch: Batch, time: int) -> Batch:
    """The batch of one chunk, its records known at the time of the chunk."""
    return replace(
        batch,
        readings_known_at=np.full(batch.readings.size, time, np.int64),
        positions_known_at=np.full(batch.positions.size, time, np.int64),
    )
