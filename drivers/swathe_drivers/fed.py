"""What decoders were fed, and which of it gave faults or whole records."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from swathe_drivers.abc import CuttingDecoder, Decoder
from swathe_drivers.records import Batch, FaultReason

__all__ = ["Chunks", "are_whole", "faulty_times", "feed_again"]

Chunks = Sequence[tuple[int, bytes]]
"""Bytes with their times of arrival, ns."""

_GOOD: Final = {FaultReason.QUADRATURE}
"""Faults of lines that are good themselves."""


def feed_again(decoder: Decoder, kept: Sequence[tuple[int, bytes] | None]) -> None:
    """Feed what a decoder was fed before, one chunk by one, and cut it where it was."""
    for chunk in kept:
        if chunk is not None:
            decoder.feed(chunk[1], chunk[0])
        elif isinstance(decoder, CuttingDecoder):
            decoder.cut()


def faulty_times(chunks: Chunks, batches: Sequence[Batch]) -> list[int]:
    """Return the arrivals of the chunks whose batch has a fault, ns."""
    return [
        time
        for (time, _), batch in zip(chunks, batches, strict=True)
        if batch.n_faults and any(batch.n_faults[one] for one in batch.n_faults if one not in _GOOD)
    ]


def are_whole(batch: Batch, begin: int, end: int, cuts: Sequence[int]) -> bool:
    """Whether bytes are nothing but records, and each of `cuts` is between two of these, or at an end.

    Args:
        batch: what the bytes gave; each record of the device is a reading, a position or both.
        begin: offset in the stream of the first of them.
        end: offset behind the last record.
        cuts: offsets.
    """
    if batch.n_faults or batch.record_bytes != end - begin:
        return False
    found = np.concatenate((batch.readings["offset"], batch.positions["offset"], [end]))
    return bool(np.isin(np.array(cuts, np.int64), found).all())
