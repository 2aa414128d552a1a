"""Numbers written in hexadecimal or octal, with texts around them, and times of day and dates."""

from __future__ import annotations

import datetime as dt
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers import FaultReason
from swathe_drivers.delimited import DelimitedDecoder, DelimitedSettings
from swathe_drivers.delimited.clocks import ReadClocks, read_clock
from swathe_drivers.delimited.notation import read_digits
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.errors import SettingsError
from swathe_drivers.records import Batch
from swathe_drivers.settings import read_settings
from swathe_drivers.units import linear, scaled

COUNTS: dict[str, Any] = {"is": "counts", "axis": "scan"}
THICKNESS: dict[str, Any] = {"is": "thickness", "unit": "mm"}


def _packed(texts: list[str]) -> tuple[Any, Any, Any]:
    """The bytes of texts one behind the other, and where each is."""
    ends = np.cumsum([len(text) for text in texts])
    starts = ends - [len(text) for text in texts]
    block = np.frombuffer("".join(texts).encode() + b"\r\n", np.uint8)
    return block, starts, ends


def _fed(columns: list[dict[str, Any]], data: bytes, **others: Any) -> Batch:
    settings = DelimitedSettings.model_validate({"columns": columns, **others})
    return DelimitedDecoder(settings).feed(data, 0)


@given(st.lists(st.integers(-(16**15) + 1, 16**15 - 1), min_size=1, max_size=20), st.booleans())
def test_hexadecimal_numbers_are_those_of_python(numbers: list[int], prefixed: bool) -> None:
    """With and without 0x, in either case."""
    form = "#x" if prefixed else "X"
    plain = read_digits(*_packed([format(number, form) for number in numbers]), base=16)
    assert plain.good.all()
    assert plain.mantissa.tolist() == numbers


@given(st.lists(st.integers(-(8**20) + 1, 8**20 - 1), min_size=1, max_size=20))
def test_octal_numbers_are_those_of_python(numbers: list[int]) -> None:
    """Up to twenty digits."""
    plain = read_digits(*_packed([format(number, "o") for number in numbers]), base=8)
    assert plain.good.all()
    assert plain.mantissa.tolist() == numbers


@pytest.mark.parametrize(
    ("written", "text", "reason"),
    [
        ("hex", "12G4", FaultReason.NUMBER),
        ("hex", "0x", FaultReason.NUMBER),
        ("hex", "--1", FaultReason.NUMBER),
        ("hex", "", FaultReason.NUMBER),
        ("hex", "1.5", FaultReason.NUMBER),
        ("octal", "18", FaultReason.NUMBER),
        ("octal", "0x10", FaultReason.NUMBER),
        ("hex", "FFFFFFFFFFFFFFFF", FaultReason.OUT_OF_RANGE),
        ("hex", "10000", FaultReason.OUT_OF_RANGE),
        ("hex", "-8001", FaultReason.OUT_OF_RANGE),
    ],
)
def test_text_that_is_no_such_number_is_a_fault(
    written: str, text: str, reason: FaultReason
) -> None:
    """Of its reason, next to lines that are right."""
    columns = [COUNTS | {"written": written, "bits": 16, "signed": True}, {"is": "ignore"}]
    batch = _fed(columns, f"10,a\r\n{text},b\r\n11,c\r\n".encode())
    assert batch.n_faults == {reason: 1}
    assert repr(text) in batch.faults[0].detail
    assert batch.positions["counts"][:, 0].tolist() == ([16, 17] if written == "hex" else [8, 9])


def test_signed_hexadecimal_counts_are_twos_complements() -> None:
    """From the lowest to the highest of sixteen bits."""
    texts = b"8000\r\nFFFF\r\n0000\r\n7FFF\r\n"
    batch = _fed([COUNTS | {"written": "hex", "bits": 16, "signed": True}], texts)
    assert batch.positions["counts"][:, 0].tolist() == [-32768, -1, 0, 32767]


def test_whole_number_of_hundredths_is_the_nearest_double() -> None:
    """As Python reads the decimal text; a product with 0.01 is another double for some."""
    sent = np.arange(100_000.0)
    expected = [float(f"{number // 100}.{number % 100:02}") for number in range(100_000)]
    assert linear(sent, 0.01, 0.0).tolist() == expected
    assert (sent * 0.01).tolist() != expected


def test_level_of_amplitude_is_that_of_the_decibel() -> None:
    """20 dB are a factor of ten of an amplitude, 6.0206 dB a factor of two (ISO 80000-3)."""
    levels = np.array([0.0, -20.0, -40.0, 20 * np.log10(0.5)])
    np.testing.assert_allclose(scaled(levels, "dB"), [100.0, 10.0, 1.0, 50.0], rtol=1e-15)
    batch = _fed([THICKNESS, {"is": "amplitude", "unit": "dB"}], b"5,401\r\n5,0\r\n")
    assert batch.n_faults == {FaultReason.OUT_OF_RANGE: 1}


@pytest.mark.parametrize(
    ("column", "text", "problem"),
    [
        ({"behind": "mm"}, "7.82", "does not end with 'mm'"),
        ({"behind": "mm"}, "mm", "is not a decimal number"),
        ({"behind": {"mm": "mm", "in": "in"}}, "7.82 cm", "does not end with 'mm' or 'in'"),
        ({"before": "d="}, "x=7.82", "does not begin with 'd='"),
        ({"before": "d=", "behind": "d="}, "d=", "does not end with 'd='"),
        ({"sign": "behind"}, "-7.82", "has its sign before it, not behind"),
        ({"sign": "behind"}, "7.82--", "is not a decimal number"),
        ({"sign": "behind"}, "-", "is not a decimal number"),
    ],
)
def test_number_without_what_belongs_to_it_is_a_fault(
    column: dict[str, Any], text: str, problem: str
) -> None:
    """The sentence names what is missing."""
    batch = _fed([THICKNESS | column], f"{text}\r\n".encode())
    assert batch.n_faults == {FaultReason.NUMBER: 1}
    assert problem in batch.faults[0].detail
    assert not batch.readings.size


@pytest.mark.parametrize("text", ["7.82", "7,8,2", "1.234,5"])
def test_number_with_a_point_where_the_comma_is_decimal_is_a_fault(text: str) -> None:
    """Grouped digits are not guessed at."""
    batch = _fed([THICKNESS], f"{text}\r\n".encode(), decimal=",", separator=";")
    assert batch.n_faults == {FaultReason.NUMBER: 1}


def test_decimal_comma_with_exponent_is_read() -> None:
    """As the reader of one text has it."""
    batch = _fed([THICKNESS], b"1,241e1\r\n", decimal=",", separator=";")
    assert batch.readings["thickness"].tolist() == [12.41]


def _clock(text: str, written: str) -> ReadClocks:
    return read_clock(*_packed([text]), written=written, point=ord("."))


@given(
    st.integers(86_400 * 10**6, 9_200_000_000 * 10**6).map(
        lambda us: (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=us)).replace(
            tzinfo=None
        )
    ),
    st.integers(-1439, 1439),
)
def test_dates_are_those_of_python(moment: dt.datetime, minutes: int) -> None:
    """With an offset from UTC, and without."""
    zone = dt.timezone(dt.timedelta(minutes=minutes))
    epoch = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    for text, instant in (
        (moment.isoformat(), moment.replace(tzinfo=dt.UTC)),
        (moment.isoformat(" ") + "Z", moment.replace(tzinfo=dt.UTC)),
        (moment.replace(tzinfo=zone).isoformat(), moment.replace(tzinfo=zone)),
        (
            moment.replace(tzinfo=zone).strftime("%Y-%m-%dT%H:%M:%S.%f%z"),
            moment.replace(tzinfo=zone),
        ),
    ):
        times = _clock(text, "ISO 8601")
        passed = instant - epoch
        expected = (passed.days * 86400 + passed.seconds) * 10**9 + passed.microseconds * 1000
        assert times.good.all(), text
        assert times.ns.tolist() == [expected], text


@given(st.times())
def test_times_of_day_are_those_of_python(moment: dt.time) -> None:
    """With colons and without."""
    expected = (moment.hour * 3600 + moment.minute * 60 + moment.second) * 10**9
    expected += moment.microsecond * 1000
    for text, written in (
        (moment.strftime("%H:%M:%S.%f"), "hh:mm:ss"),
        (moment.strftime("%H%M%S.%f"), "hhmmss"),
    ):
        times = _clock(text, written)
        assert times.good.all()
        assert times.ns.tolist() == [expected]


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("24:00:00", "hh:mm:ss"),
        ("23:60:00", "hh:mm:ss"),
        ("23:59:60", "hh:mm:ss"),
        ("23:59:-1", "hh:mm:ss"),
        ("23:59:1", "hh:mm:ss"),
        ("1:02:03", "hh:mm:ss"),
        ("23-59-59", "hh:mm:ss"),
        ("23:59:59,5", "hh:mm:ss"),
        ("", "hh:mm:ss"),
        ("235960", "hhmmss"),
        ("23:59:59", "hhmmss"),
        ("2026-02-29T00:00:00", "ISO 8601"),
        ("2026-13-01T00:00:00", "ISO 8601"),
        ("2026-00-01T00:00:00", "ISO 8601"),
        ("2026-01-00T00:00:00", "ISO 8601"),
        ("2026-01-01", "ISO 8601"),
        ("2026-01-01T24:00:00", "ISO 8601"),
        ("2026-01-01T00:00:00+24:00", "ISO 8601"),
        ("2026-01-01T00:00:00+1:00", "ISO 8601"),
        ("2026-01-01T00:00:00ZZ", "ISO 8601"),
        ("2026/01/01T00:00:00", "ISO 8601"),
        ("1969-12-31T23:59:59", "ISO 8601"),
    ],
)
def test_text_that_is_no_time_is_not_good(text: str, written: str) -> None:
    """Rather than a time that nobody meant."""
    assert _clock(text, written).good.tolist() == [False]


@pytest.mark.parametrize("written", ["hh:mm:ss", "hhmmss", "ISO 8601"])
def test_any_text_as_a_time_raises_nothing(written: str) -> None:
    """Short, long and damaged ones, many at once."""
    source = random.Random(3)
    texts = []
    for _ in range(400):
        text = list("2026-01-01T12:34:56.78+01:00"[source.choice([0, 11]) :])
        for _ in range(source.randrange(4)):
            if text:
                text[source.randrange(len(text))] = source.choice("0129:-+TZ. x")
        texts.append("".join(text)[: source.randrange(30)])
    times = read_clock(*_packed(texts), written=written, point=ord("."))
    assert (times.ns[~times.good] == 0).all()


def test_time_of_day_starts_again_at_midnight() -> None:
    """86,400 s; a date never does."""
    for written, wrap in (
        ("hh:mm:ss", 86_400 * 10**9),
        ("hhmmss", 86_400 * 10**9),
        ("ISO 8601", None),
    ):
        table = {"columns": [{"is": "device_time", "written": written}, COUNTS]}
        decoder = DelimitedDecoder(DelimitedSettings.model_validate(table))
        assert decoder.clock_wrap_ns == wrap


@pytest.mark.parametrize(
    ("column", "message"),
    [
        (
            {"is": "device_time", "written": "hhmmss", "unit": "s"},
            "'key.columns[0].unit' must be left out, as the time is written 'hhmmss' (got 's')",
        ),
        (
            {"is": "device_time", "unit": "s", "bits": 16, "rolls_over_after": 60},
            "'key.columns[0].rolls_over_after' must not be given with 'bits', which is another limit (got 60)",
        ),
        (THICKNESS | {"scale": 0.0}, "'key.columns[0].scale' must not be 0 (got 0.0)"),
        (THICKNESS | {"behind": "m,m"}, "'key.columns[0].behind' must not hold the separator (got 'm,m')"),
        (THICKNESS | {"behind": {"": "mm"}}, "'key.columns[0].behind.' must not be empty (got '')"),
        (THICKNESS | {"before": " d"}, "'key.columns[0].before' must not begin or end with a space, which does not count: blank is \"\" (got ' d')"),
    ],
)  # fmt: skip
def test_settings_of_a_number_with_mistake_say_key_requirement_and_value(
    column: dict[str, Any], message: str
) -> None:
    """One message each."""
    with pytest.raises(SettingsError) as caught:
        read_settings(DelimitedSettings, {"columns": [column, COUNTS]}, key="key")
    assert message in str(caught.value).splitlines()


def test_comma_that_is_decimal_must_not_separate() -> None:
    """The remedy is in the message."""
    with pytest.raises(SettingsError, match="'separator' must not be the decimal point"):
        read_settings(DelimitedSettings, {"columns": [COUNTS], "decimal": ","}, key="")


def test_longest_text_behind_a_number_is_its_own() -> None:
    """An "s" is also the end of "ms" and "us", in whatever order they are listed."""
    behind = {"s": "s", "us": "us", "ms": "ms"}
    column = {"is": "time_of_flight", "unit": "us", "behind": behind}
    batch = _fed([column], b"4.2us\r\n0.0042ms\r\n0.0000042 s\r\n")
    np.testing.assert_allclose(batch.readings["time_of_flight"], 4.2, rtol=1e-15)
    assert batch.readings.size == 3


def test_bits_of_a_hexadecimal_value_make_it_a_twos_complement() -> None:
    """At the ends of its range, and beyond; limits and absent numbers are those of the value."""
    text = (
        '[protocol]\ncolumns = [{ is = "thickness", unit = "mm" },'
        ' { is = "channel", name = "t", written = "hex", bits = 8, absent = [-128], min = -127 }]\n'
    )
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    batch = decoder.feed(b"1,7F\r\n1,80\r\n1,81\r\n1,FF\r\n1,100\r\n1,-1\r\n", 0)
    assert batch.channels is not None
    np.testing.assert_array_equal(batch.channels[:, 0], [127, np.nan, -127, -1])
    assert dict(batch.n_faults) == {FaultReason.OUT_OF_RANGE: 2}


def test_bits_of_a_decimal_value_are_refused() -> None:
    """It has a sign of its own."""
    text = '[protocol]\ncolumns = [{ is = "thickness", unit = "mm", bits = 8 }]\n'
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert "must be left out of a decimal number, which has a sign" in str(caught.value)


@pytest.mark.parametrize(
    ("column", "message"),
    [
        ('{ is = "status", valid = ["Q1"], before = "Q" }', "'valid' and 'invalid' have the texts"),
        (
            '{ is = "index_mark", axis = "scan", marked = ["Z"], unmarked = ["-"], behind = "!" }',
            "'marked' and 'unmarked' have the texts of the column as a whole",
        ),
    ],
)
def test_texts_around_a_flag_of_texts_are_refused(column: str, message: str) -> None:
    """They are part of these."""
    text = (
        '[protocol]\ncolumns = [{ is = "thickness", unit = "mm" },'
        f' {{ is = "counts", axis = "scan" }}, {column}]\n'
    )
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert message in str(caught.value)


def test_index_mark_in_a_number_with_texts_around_it() -> None:
    """As a number of a value has them."""
    text = (
        '[protocol]\ncolumns = [{ is = "counts", axis = "scan" }, { is = "index_mark", axis = "scan",'
        ' written = "hex", mask = 8, before = "S=", behind = "h" }]\n'
    )
    batch = parse_description(text, "x").decoder(ns_per_byte=0).feed(b"1,S=0Fh\r\n2,S=07h\r\n", 0)
    assert batch.positions["mark"].tolist() == [[True], [False]]
