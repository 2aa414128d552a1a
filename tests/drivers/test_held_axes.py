"""Axes that come in records of their own, and keep their value in between."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_drivers.abc import Decoder
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.testing.feeding import total

SCAN = '[[protocol.record]]\ncolumns = [{ is = "constant", text = "E" }, { is = "counts", axis = "scan" }]\n'
ROW = (
    '[[protocol.record]]\ncolumns = [{ is = "constant", text = "I" },'
    ' { is = "counts", axis = "index", bits = 8 }]\n'
)
BOTH = (
    '[[protocol.record]]\ncolumns = [{ is = "constant", text = "B" }, { is = "counts", axis = "scan" },'
    ' { is = "counts", axis = "index", bits = 8 }, { is = "thickness", unit = "mm" }]\n'
)
WITH = (
    '[[protocol.record]]\ncolumns = [{ is = "constant", text = "S" }, { is = "counts", axis = "scan" },'
    ' { is = "thickness", unit = "mm" }]\n'
)


def made(kinds: str, held: str = '["index"]') -> Decoder:
    """A decoder of lines of such kinds."""
    text = f"[protocol]\nheld_axes = {held}\n{kinds}"
    return parse_description(text, "x").decoder(ns_per_byte=0)


def counts(batch: Any) -> list[list[float]]:
    """The positions of a batch."""
    found: list[list[float]] = batch.positions["counts"].tolist()
    return found


def test_axis_keeps_its_value_until_the_next_record_that_has_it() -> None:
    """Also over chunks; it makes no position itself."""
    decoder = made(SCAN + ROW)
    assert decoder.axes == ("scan", "index")
    assert dict(decoder.count_periods) == {"scan": None, "index": 256}
    assert counts(decoder.feed(b"I,4\r\nE,1\r\nE,2\r\nI,5\r\n", 0)) == [[1, 4], [2, 4]]
    assert counts(decoder.feed(b"E,3\r\nI,6\r\nI,7\r\nE,4\r\n", 0)) == [[3, 5], [4, 7]]


def test_axis_that_is_not_known_yet_makes_no_position() -> None:
    """Neither before its first record, nor behind a lost port; a request in between changes nothing."""
    decoder = made(SCAN + ROW)
    assert counts(decoder.feed(b"E,1\r\nE,2\r\nI,4\r\nE,3\r\n", 0)) == [[3, 4]]
    decoder.cut()  # type: ignore[attr-defined]
    assert counts(decoder.feed(b"E,4\r\n", 0)) == [[4, 4]]
    decoder.reset(100)
    batch = decoder.feed(b"E,5\r\nI,9\r\nE,6\r\n", 0)
    assert counts(batch) == [[6, 9]]
    assert batch.positions_known_at.size == 1


def test_records_with_readings_lose_both_while_the_axis_is_not_known() -> None:
    """A reading next to its position stays next to it."""
    decoder = made(BOTH + WITH)
    found = total([decoder.feed(b"S,1,8.1\r\nB,2,4,8.2\r\nS,3,8.3\r\nB,4,5,8.4\r\nS,5,8.5\r\n", 0)])
    assert found.positions["counts"].tolist() == [[2, 4], [3, 4], [4, 5], [5, 5]]
    np.testing.assert_array_equal(found.readings["thickness"], [8.2, 8.3, 8.4, 8.5])
    assert found.n_ignored == 1
    assert found.bytes == len(b"S,1,8.1\r\nB,2,4,8.2\r\nS,3,8.3\r\nB,4,5,8.4\r\nS,5,8.5\r\n")


def test_readings_apart_stay_while_the_axis_is_not_known() -> None:
    """They have no position of their own record."""
    reading = '[[protocol.record]]\ncolumns = [{ is = "constant", text = "T" }, { is = "thickness", unit = "mm" }]\n'
    batch = made(SCAN + ROW + reading).feed(b"E,1\r\nT,8.1\r\n", 0)
    assert batch.positions.size == 0
    assert batch.readings["thickness"].tolist() == [8.1]


@pytest.mark.parametrize(
    ("kinds", "held", "message"),
    [
        (SCAN + ROW, '["depth"]', "'protocol.held_axes' must be axes of a record (got 'depth')"),
        (SCAN + ROW, '["scan", "index"]', "must leave out the axis whose records make the positions"),
        (BOTH + BOTH.replace('"B"', '"C"'), '["index"]', "must leave out an axis that all records with positions have"),
        (BOTH + ROW.replace("8", "9") + SCAN, '["index"]', "must roll over at the same number in all records"),
        (SCAN + ROW.replace("}]", '}, { is = "index_mark", axis = "index" }]'), '["index"]',
         "must leave out an axis with an index mark"),
        (SCAN + ROW, "[]", "must have positions of the same axes in the same order as record[0] has"),
    ],
)  # fmt: skip
def test_axes_that_cannot_be_held_are_refused(kinds: str, held: str, message: str) -> None:
    """With the key, and what is wrong."""
    with pytest.raises(DescriptionError) as caught:
        made(kinds, held)
    assert message in str(caught.value)


def test_held_axes_without_several_kinds_are_refused() -> None:
    """There is nothing to keep."""
    text = '[protocol]\nheld_axes = ["scan"]\ncolumns = [{ is = "counts", axis = "scan" }]\n'
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "x")
    assert "'protocol.held_axes' must be left out without 'record'" in str(caught.value)


def test_readings_whose_records_have_a_held_axis_only_are_apart_from_positions() -> None:
    """They make none, and what they hold is in the positions behind them."""
    reading = ROW.replace("}]", '}, { is = "thickness", unit = "mm" }]')
    decoder = made(SCAN + reading)
    assert not decoder.combined
    batch = decoder.feed(b"I,4,8.1\r\nE,1\r\nI,5,8.2\r\nE,2\r\n", 0)
    assert counts(batch) == [[1, 4], [2, 5]]
    assert batch.readings["thickness"].tolist() == [8.1, 8.2]
    assert batch.n_ignored == 0


READ = (
    '[[protocol.record]]\ncolumns = [{ is = "constant", text = "T" },'
    ' { is = "thickness", unit = "mm", max = 50.0 }]\n'
)


@pytest.mark.parametrize(
    ("damage", "known"),
    [
        (b"J,5\r\n", False),  # of no kind
        (b"I,x\r\n", False),
        (b"I,5,5\r\n", False),
        (b"I,300\r\n", False),  # no count of 8 bits: it moved, nobody knows where to
        (b"E,x\r\n", False),  # an I that was hit twice
        (b"T,99\r\n", True),  # a whole reading, of no wall
        (b"T,8.1\r\n", True),
    ],
)
def test_axis_is_not_known_behind_bytes_that_may_have_been_its_record(
    damage: bytes, known: bool
) -> None:
    """Until it comes again, in this chunk or a later one."""
    whole = b"I,4\r\nE,1\r\n" + damage + b"E,2\r\nI,6\r\nE,3\r\n"
    expected = [[1, 4], [2, 4], [3, 6]] if known else [[1, 4], [3, 6]]
    assert counts(made(SCAN + ROW + READ).feed(whole, 0)) == expected
    decoder = made(SCAN + ROW + READ)
    assert counts(decoder.feed(b"I,4\r\nE,1\r\n" + damage, 0)) == [[1, 4]]
    assert counts(decoder.feed(b"E,2\r\n", 0)) == ([[2, 4]] if known else [])
    assert counts(decoder.feed(b"E,3\r\nI,6\r\nE,4\r\n", 0))[-1] == [4, 6]


def test_chunks_fed_at_once_are_as_fed_one_by_one() -> None:
    """More faults than a batch lists, and what is known behind the last one."""
    chunks = [(0, b"I,4\r\nE,1\r\n"), (1, b"J\r\n" * 200 + b"I,5\r\nE,2\r\n"), (2, b"E,3\r\n")]
    at_once = made(SCAN + ROW).feed_chunks(chunks)
    decoder = made(SCAN + ROW)
    each = [decoder.feed(data, time) for time, data in chunks]
    assert counts(at_once) == [one for batch in each for one in counts(batch)]
    assert counts(at_once) == [[1, 4], [2, 5], [3, 5]]
    assert at_once.positions_known_at.tolist() == [0, 1, 2]
    # Before the first fault that is listed there are others.
    some = made(SCAN + ROW).feed(b"I,4\r\nE,1\r\n" + b"J\r\n" * 200 + b"I,5\r\nE,2\r\n", 0)
    assert counts(some) == [[2, 5]]


def test_record_that_a_request_cut_off_may_have_been_of_the_axis() -> None:
    """A polled device was asked again before its line had ended."""
    decoder = made(SCAN + ROW)
    assert counts(decoder.feed(b"I,4\r\nE,1\r\nI,", 0)) == [[1, 4]]
    decoder.cut()  # type: ignore[attr-defined]
    assert counts(decoder.feed(b"E,2\r\nE,3\r\nE,4\r\n", 0)) == []


def test_line_without_an_end_may_have_been_of_the_axis() -> None:
    """What is too long is no line of any kind."""
    decoder = made(SCAN + ROW)
    assert counts(decoder.feed(b"I,4\r\nE,1\r\nI" + b"5" * 9000, 0)) == [[1, 4]]
    assert counts(decoder.feed(b"\r\nE,2\r\nI,6\r\nE,3\r\n", 0)) == [[3, 6]]


FRAMES = """
driver = "frames"
[protocol]
framing = { kind = "length_prefix", sync = [0x7E], adds = 2 }
held_axes = ["index"]
[[protocol.record]]
fields = [{ is = "length", type = "u1" }, { is = "counts", axis = "scan", type = "i2" }]
[[protocol.record]]
fields = [{ is = "length", type = "u1" }, { is = "counts", axis = "index", type = "i1" }]
"""


def test_frames_forget_the_axis_when_the_port_is_lost() -> None:
    """As lines do."""
    decoder = parse_description(FRAMES, "x").decoder(ns_per_byte=0)
    assert counts(decoder.feed(bytes.fromhex("7E0104 7E020700 7E0105"), 0)) == [[7, 4]]
    decoder.reset(100)
    assert counts(decoder.feed(bytes.fromhex("7E020800 7E01FF 7E020900"), 0)) == [[9, -1]]


def test_frames_do_not_know_the_axis_behind_damaged_bytes() -> None:
    """As lines do."""
    decoder = parse_description(FRAMES, "x").decoder(ns_per_byte=0)
    assert counts(
        decoder.feed(bytes.fromhex("7E0104 7E020700 1122 7E020800 7E0105 7E020900"), 0)
    ) == [
        [7, 4],
        [9, 5],
    ]
    decoder = parse_description(FRAMES, "x").decoder(ns_per_byte=0)
    found = decoder.feed_chunks(
        [(0, bytes.fromhex("7E0104 7E020700 1122")), (1, bytes.fromhex("7E020800"))]
    )
    assert counts(found) == [[7, 4]]
    assert [str(reason) for reason in found.n_faults] == ["frame"]


@pytest.mark.parametrize("damage", ["7E03 000000", "7E01 0A"])
def test_frames_of_no_kind_and_without_a_value_may_have_been_of_the_axis(damage: str) -> None:
    """Of another length, or with a digit that is none."""
    text = FRAMES.replace('axis = "index", type = "i1"', 'axis = "index", type = "bcd1"')
    decoder = parse_description(text, "x").decoder(ns_per_byte=0)
    sent = f"7E0104 7E020700 {damage} 7E020800 7E0105 7E020900"
    assert counts(decoder.feed(bytes.fromhex(sent), 0)) == [[7, 4], [9, 5]]
