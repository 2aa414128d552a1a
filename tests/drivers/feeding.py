"""Feeds the same bytes in several ways and demands the same records."""

import random
from collections.abc import Callable

from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.testing.feeding import Total, random_pieces, total
from swathe_drivers.testing.feeding import assert_same_columns as same

__all__ = ["Total", "assert_parses", "random_pieces", "same", "total"]


def assert_parses(
    make: Callable[[], RecordDecoder],
    data: bytes,
    *,
    terminator: bytes = b"\r\n",
    seed: int = 1,
) -> Total:
    """Feed whole lines in four ways, demand the same of each, and give what it is.

    All at once, byte by byte, cut at random with a begun line behind them, and after garbage.
    """
    source = random.Random(seed)
    whole = total([make().feed(data, 0)])
    assert whole.bytes == len(data)

    decoder = make()
    bytewise = total(decoder.feed(data[at : at + 1], at) for at in range(len(data)))
    decoder = make()
    trailing = b"R,12"
    cut = total(decoder.feed(piece, 0) for piece in random_pieces(data + trailing, source))
    assert decoder.pending == len(trailing)
    for other in (bytewise, cut):
        same(whole.readings, other.readings)
        same(whole.positions, other.positions)
        assert other.n_faults == whole.n_faults
        assert other.n_ignored == whole.n_ignored
        assert (other.record_bytes, other.fault_bytes, other.ignored_bytes) == (
            whole.record_bytes,
            whole.fault_bytes,
            whole.ignored_bytes,
        )

    decoder = make()
    garbage = bytes(source.randrange(128, 256) for _ in range(source.randrange(1, 900)))
    after = total([decoder.feed(garbage + terminator, 0), decoder.feed(data, 1)])
    same(whole.readings, after.readings, but=("time", "offset"))
    same(whole.positions, after.positions, but=("time", "offset"))
    assert after.bytes == len(garbage) + len(terminator) + len(data)
    assert after.n_faults.total() + after.n_ignored == (
        whole.n_faults.total() + whole.n_ignored + 1
    )
    return whole
