"""Checksums of many lines at once, against one line at a time."""

from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers.delimited.checksum import check_sums
from swathe_drivers.delimited.settings import LineChecksum


@pytest.mark.parametrize("kind", ["xor", "sum8"])
@given(
    bodies=st.lists(st.binary(max_size=12), min_size=1, max_size=8),
    first=st.integers(0, 3),
    marker=st.sampled_from(["*", "#%"]),
)
def test_check_sums_equals_plain_sum_of_each_line(
    kind: str, bodies: list[bytes], first: int, marker: str
) -> None:
    """Also for empty and too short bodies, which have neighbours on both sides."""
    settings = LineChecksum.model_validate({"kind": kind, "after": marker, "from": first})
    lines = [body + marker.encode() + b"A5" for body in bodies]
    block = np.frombuffer(b"\n".join(lines) + b"\n", np.uint8)
    lengths = np.array([len(line) for line in lines])
    ends = np.cumsum(lengths + 1) - 1
    sums = check_sums(settings, block, ends - lengths, ends)
    for index, body in enumerate(bodies):
        assert sums.present[index] == (len(body) >= first)
        if sums.present[index]:
            part = body[first:]
            assert sums.computed[index] == (
                reduce(xor, part, 0) if kind == "xor" else sum(part) % 256
            )
            assert sums.sent[index] == 0xA5
            assert sums.ends[index] == ends[index] - 2 - len(marker)


@pytest.mark.parametrize("tail", [b"", b"5", b"A5", b"*", b"*A", b"*G5", b"*5G", b"+A5", b"*A5 "])
def test_check_sums_without_marker_and_digits_is_absent(tail: bytes) -> None:
    """A checksum is two hexadecimal digits behind the marker, at the very end."""
    settings = LineChecksum.model_validate({"kind": "xor", "after": "*"})
    block = np.frombuffer(tail + b"\r\n", np.uint8)
    sums = check_sums(settings, block, np.array([0]), np.array([len(tail)]))
    assert not sums.present[0]
