"""Numbers, many at once, against Python's own."""

import math
from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from swathe_drivers.decimals import (
    NumberError,
    Plain,
    read_float,
    read_integer,
    read_plain,
    read_scaled,
)
from swathe_drivers.records import FaultReason

plain_text = st.from_regex(
    r"[+-]?([0-9]{1,20}\.?[0-9]{0,20}|\.[0-9]{1,20})", fullmatch=True
).filter(str.isascii)


def plain(texts: list[str]) -> Plain:
    """Read texts that lie one after the other."""
    data = " ".join(texts).encode("latin-1") + b"\n"
    lengths = np.array([len(text) for text in texts])
    ends = np.cumsum(lengths + 1) - 1
    return read_plain(np.frombuffer(data, np.uint8), ends - lengths, ends)


@given(st.lists(plain_text, min_size=1, max_size=8))
@example(["-0.0", "+0", "0", "-0", "-1.5"])
def test_floats_equal_what_python_reads(texts: list[str]) -> None:
    """Bit for bit the correctly rounded double, wherever the quick way says it is right."""
    values, good = plain(texts).floats()
    for text, value, right in zip(texts, values.tolist(), good.tolist(), strict=True):
        if right:
            assert (value, math.copysign(1, value)) == (float(text), math.copysign(1, float(text)))
        digits = text.strip("+-").replace(".", "")
        assert right == (len(digits) <= 18 and int(digits) <= 2**53)


@given(st.lists(st.integers(-(10**18) + 1, 10**18 - 1), min_size=1, max_size=8))
def test_integers_lose_no_digit(numbers: list[int]) -> None:
    """Up to 18 digits, far beyond 2**53."""
    values, good = plain([str(number) for number in numbers]).integers()
    assert values.tolist() == numbers
    assert good.all()


@given(st.lists(plain_text, min_size=1, max_size=8), st.sampled_from([0, 3, 6, 9]))
def test_scaled_is_exact_or_left_alone(texts: list[str], power: int) -> None:
    """Seconds with nine places become exactly their nanoseconds."""
    values, good = plain(texts).scaled(power)
    for text, value, right in zip(texts, values.tolist(), good.tolist(), strict=True):
        if right:
            assert value == Fraction(text) * 10**power


@given(st.lists(st.text(alphabet="0123456789+-.eE_x \x00naif", max_size=24), min_size=1))
def test_plain_never_takes_what_is_no_number(texts: list[str]) -> None:
    """Whatever the quick way takes, the strict way takes too and with the same value."""
    values, good = plain(texts).floats()
    for text, value, right in zip(texts, values.tolist(), good.tolist(), strict=True):
        if right:
            assert read_float(text.encode()) == value


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_read_float_gives_back_every_double(value: float) -> None:
    """What `repr` writes is read as the same double."""
    assert read_float(repr(value).encode()) == value


@given(st.decimals(-(10**9), 10**9, places=12), st.sampled_from([0, 3, 6, 9]))
def test_read_scaled_rounds_to_nearest(value: object, power: int) -> None:
    """Half goes to the even neighbour, as Python rounds."""
    assert read_scaled(str(f"{value:f}").encode(), power) == round(Fraction(str(value)) * 10**power)


@pytest.mark.parametrize("read", [read_float, read_integer])
@pytest.mark.parametrize(
    "text",
    ["", "+", "-", ".", "e5", "1e", "1_0", "0x1", "1 2", " 1", "1 ", "--1", "1-", "1.2.3", "1,5",
     "1\x00", "\xb2", "1" * 65, "1n", "nano"],
)  # fmt: skip
def test_read_text_that_is_no_number_is_refused(read: Callable[[bytes], float], text: str) -> None:
    """Only decimal notation is a number."""
    with pytest.raises(NumberError) as caught:
        read(text.encode("latin-1"))
    assert caught.value.reason is FaultReason.NUMBER


@pytest.mark.parametrize("text", ["nan", "NaN", "-inf", "+Infinity", "1e309", "-1e999"])
def test_read_float_that_is_not_finite_is_refused(text: str) -> None:
    """An infinite value is a fault of its own kind."""
    with pytest.raises(NumberError) as caught:
        read_float(text.encode())
    assert caught.value.reason is FaultReason.NOT_FINITE


@pytest.mark.parametrize("text", ["9223372036854775808", "-9223372036854775808", "1" * 60])
def test_read_integer_beyond_64_bits_is_out_of_range(text: str) -> None:
    """The least int64 is kept free, as it means 'absent'."""
    with pytest.raises(NumberError) as caught:
        read_integer(text.encode())
    assert caught.value.reason is FaultReason.OUT_OF_RANGE


@pytest.mark.parametrize("text", ["9223372036.854775808", "1e300", "-1e18", "9.3e9"])
def test_read_scaled_beyond_64_bits_is_out_of_range(text: str) -> None:
    """A huge exponent is refused without writing out its digits."""
    with pytest.raises(NumberError) as caught:
        read_scaled(text.encode(), 9)
    assert caught.value.reason is FaultReason.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("text", "value"),
    [("9223372036.854775807", 2**63 - 1), ("1e-300", 0), ("0e999999999", 0), ("1.5e-9", 2)],
)
def test_read_scaled_at_the_edges_is_exact(text: str, value: int) -> None:
    """The largest int64 is reached; what is far below a nanosecond is 0."""
    assert read_scaled(text.encode(), 9) == value


@pytest.mark.parametrize("text", ["1.2.3", "..1", "1..", "1-2", "1e5", "+-1", "", "+", ".", "-."])
def test_plain_leaves_what_is_not_plain(text: str) -> None:
    """Between good neighbours, a text that isn't plain is marked so, and only that one."""
    read = plain(["1.5", text, "-2.25"])
    assert read.good.tolist() == [True, False, True]
    assert read.floats()[0][[0, 2]].tolist() == [1.5, -2.25]
