"""Decoders that take one chunk at a time."""

from __future__ import annotations

from collections import Counter

import numpy as np

from swathe_drivers.chunkwise import ChunkwiseDecoder
from swathe_drivers.records import MAX_FAULTS, READING, Batch, Fault, FaultReason, position_dtype


class Letters(ChunkwiseDecoder):
    """A reading for each `r`, a position for each `p`, a fault for each `x`."""

    def __init__(self) -> None:
        self.seen = 0

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode; fills in no time at which records are known."""
        faults = [
            Fault(self.seen + at, 1, FaultReason.FRAME, b"x", "an x")
            for at, byte in enumerate(data)
            if byte == ord("x")
        ]
        self.seen += len(data)
        readings = np.zeros(data.count(b"r"), READING)
        readings["time"] = time_ns - 5
        return Batch(
            readings=readings,
            positions=np.zeros(data.count(b"p"), position_dtype(2)),
            waveforms=np.full((readings.size, 3), time_ns, np.int16),
            faults=tuple(faults[-MAX_FAULTS:]),
            n_faults=Counter(fault.reason for fault in faults),
            n_ignored=data.count(b"i"),
            record_bytes=data.count(b"r") + data.count(b"p"),
            fault_bytes=len(faults),
            ignored_bytes=data.count(b"i"),
        )


def test_records_are_known_at_the_time_of_their_chunk() -> None:
    """Each kind of record at its own, though `feed` does not fill it in."""
    batch = Letters().feed_chunks([(10, b"rrp"), (20, b""), (30, b"pr")])
    assert batch.readings["time"].tolist() == [5, 5, 25]
    assert batch.readings_known_at.tolist() == [10, 10, 30]
    assert batch.positions_known_at.tolist() == [10, 30]
    assert batch.waveforms is not None
    assert batch.waveforms[:, 0].tolist() == [10, 10, 30]
    assert Letters().feed_chunks([(7, b"rp")]).readings_known_at.tolist() == [7]


def test_counts_are_summed_and_the_newest_faults_kept() -> None:
    """Over all chunks of the call."""
    batch = Letters().feed_chunks([(1, b"x" * 50), (2, b"ir"), (3, b"x" * 50 + b"i")])
    assert batch.n_faults == {FaultReason.FRAME: 100}
    assert [fault.offset for fault in batch.faults] == [*range(36, 50), *range(52, 102)]
    assert (batch.n_ignored, batch.ignored_bytes) == (2, 2)
    assert (batch.record_bytes, batch.fault_bytes) == (1, 100)
