"""Which input of its device a reading is of: columns, values side by side, inputs in turn."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from swathe_drivers import (
    READING,
    Batch,
    ChunkwiseDecoder,
    SettingsError,
    check_driver,
    inputs_of,
    make_driver,
)
from swathe_drivers.abc import Decoder
from swathe_drivers.guarded import guarded
from swathe_drivers.inputs import checked_inputs
from swathe_drivers.records import begins_record, position_dtype
from swathe_drivers.testing.feeding import (
    assert_same_stream,
    at_times,
    in_groups,
    one_by_one,
    random_pieces,
)

THICK = {"is": "thickness", "unit": "mm"}
COUNTS = {"is": "counts", "axis": "scan"}
NUMBER = {"is": "sequence", "wrap": 100}


def text_decoder(columns: list[dict[str, Any]], **others: object) -> Decoder:
    """Return a decoder of lines with columns between commas."""
    return make_driver("delimited", {"columns": columns, **others}).decoder(ns_per_byte=0)


def refused(columns: list[dict[str, Any]], **others: object) -> str:
    """Return why settings of lines are refused."""
    with pytest.raises(SettingsError) as found:
        check_driver("delimited", {"columns": columns, **others}, key="protocol")
    return str(found.value)


def frame(fields: list[dict[str, Any]], **others: object) -> dict[str, Any]:
    """Return settings of frames between C0 bytes."""
    return {"framing": {"kind": "slip"}, "fields": fields, **others}


def frame_refused(table: dict[str, Any]) -> str:
    """Return why settings of frames are refused."""
    with pytest.raises(SettingsError) as found:
        check_driver("frames", table, key="protocol")
    return str(found.value)


def probe(number: int, **others: object) -> dict[str, Any]:
    """Return a thickness of one input."""
    return {**THICK, "probe": number, **others}


def test_inputs_are_stated() -> None:
    """Those listed, rising; None where any number may come; 0 alone where there is no word of any."""
    assert inputs_of(text_decoder([THICK])) == (0,)
    assert inputs_of(text_decoder([COUNTS])) == (0,)
    assert inputs_of(text_decoder([{"is": "probe"}, THICK])) is None
    assert inputs_of(text_decoder([{"is": "probe", "inputs": [7, 2]}, THICK])) == (2, 7)
    assert inputs_of(text_decoder([probe(5), probe(3)])) == (3, 5)
    assert inputs_of(text_decoder([NUMBER, THICK], probes_in_turn=[4, 1])) == (1, 4)
    kinds = [
        {"columns": [{"is": "constant", "text": text}, {**THICK, "probe": number}]}
        for text, number in (("B", 9), ("A", 4))
    ]
    assert inputs_of(text_decoder([], record=kinds)) == (4, 9)
    kinds[0]["columns"] = [{"is": "constant", "text": "B"}, {"is": "probe"}, THICK]
    assert inputs_of(text_decoder([], record=kinds)) is None


def test_record_gives_a_reading_for_each_input_in_order() -> None:
    """With the record's own time, number, offset and size; and one position."""
    decoder = text_decoder([NUMBER, COUNTS, probe(5), probe(3)])
    batch = decoder.feed(b"8,100,1.5,2.5\r\n9,101,1.6,2.6\r\n", 77)
    readings = batch.readings
    assert readings["probe"].tolist() == [5, 3, 5, 3]
    assert readings["thickness"].tolist() == [1.5, 2.5, 1.6, 2.6]
    assert readings["sequence"].tolist() == [8, 8, 9, 9]
    assert readings["offset"].tolist() == [0, 0, 15, 15]
    assert readings["size"].tolist() == [13] * 4
    assert readings["time"].tolist() == [77] * 4
    assert batch.readings_known_at.tolist() == [77] * 4
    assert begins_record(readings).tolist() == [True, False, True, False]
    assert batch.positions["counts"][:, 0].tolist() == [100, 101]
    assert batch.combined
    assert batch.record_bytes == 30


def test_record_is_the_same_however_it_is_cut() -> None:
    """Chunk by chunk, several at once, and in the guard's own account."""
    columns: list[dict[str, Any]] = [
        NUMBER,
        COUNTS,
        probe(5),
        probe(3, no_echo=["--"]),
        {"is": "amplitude", "probe": 3},
    ]
    data = b"".join(
        f"{n % 100},{n},{n}.5,{'--' if n % 3 else n},{n % 80}\r\n".encode()
        for n in range(60)
        if n % 7
    ).replace(b"9.5", b"?", 3)
    columns.append({"is": "amplitude", "probe": 5})
    data = data.replace(b"\r\n", b",7\r\n")
    source = random.Random(5)
    chunks = at_times(random_pieces(data, source, cuts=40), source)
    alone = one_by_one(text_decoder(columns), chunks)
    assert alone.readings.size == 2 * alone.positions.size > 40
    assert_same_stream(alone, in_groups(text_decoder(columns), chunks, source))


def test_status_and_no_echo_are_of_one_input() -> None:
    """One input's loss is not the other's; a status without an input is that of all."""
    columns = [
        probe(0, no_echo=[0]),
        probe(1, no_echo=[0]),
        {"is": "status", "probe": 1, "valid": ["a"], "invalid": ["b"]},
        {"is": "status", "valid": ["A"], "invalid": ["B"]},
    ]
    batch = text_decoder(columns).feed(
        b"1,2,a,A\r\n0,2,a,A\r\n1,2,b,A\r\n1,2,a,B\r\n1,??,b,A\r\n??,2,b,A\r\n", 0
    )
    assert batch.readings["valid"].reshape(-1, 2).tolist() == [
        [True, True],
        [False, True],
        [True, False],
        [False, False],
        [True, False],
    ]
    np.testing.assert_array_equal(
        batch.readings["thickness"], [1, 2, np.nan, 2, 1, np.nan, np.nan, np.nan, 1, np.nan]
    )
    assert [fault.detail for fault in batch.faults] == [
        "column 1 (thickness probe 0): '??' is not a decimal number"
    ]


def test_first_fault_is_the_leftmost_limit() -> None:
    """Limits count from left to right, whatever input they are of."""
    columns = [
        probe(1, max=5),
        probe(0, max=5),
        {"is": "amplitude", "probe": 1, "max": 50},
        {"is": "amplitude", "probe": 0},
    ]
    batch = text_decoder(columns).feed(b"1,9,90,1\r\n", 0)
    assert batch.faults[0].detail == "column 2 (thickness probe 0): '9' is not at most 5.0"


def test_turn_is_found_behind_lost_records_and_at_the_roll_over() -> None:
    """The running number decides, never the order of arrival."""
    decoder = text_decoder([NUMBER, THICK], probes_in_turn=[10, 20, 30, 20])
    lines = [0, 1, 5, 6, 99, 0, 2]
    batch = decoder.feed(b"".join(b"%d,1.0\r\n" % n for n in lines), 0)
    expected = [(10, 20, 30, 20)[n % 4] for n in lines]
    assert batch.readings["probe"].tolist() == expected
    again = decoder.feed(b"3,1.0\r\n", 0)
    assert again.readings["probe"].tolist() == [20]


def test_turns_without_a_running_number_are_refused() -> None:
    """What one lost line would do is said."""
    found = refused([THICK], probes_in_turn=[0, 1])
    assert "'protocol.probes_in_turn' must be left out" in found
    assert "after one lost record" in found
    found = refused([{"is": "sequence", "wrap": 256}, THICK], probes_in_turn=[0, 1, 2])
    assert "must have a number of inputs that divides 256" in found
    assert inputs_of(text_decoder([{"is": "sequence"}, THICK], probes_in_turn=[0, 1, 2]))
    table = frame(
        [{"is": "sequence", "type": "u1"}, {**THICK, "type": "u2"}], probes_in_turn=[0, 1, 2]
    )
    assert "divides 256" in frame_refused(table)
    kinds = [
        {"columns": [{"is": "constant", "text": "A"}, NUMBER, THICK]},
        {"columns": [{"is": "constant", "text": "B"}, THICK]},
    ]
    assert "must be left out, as the record has no" in refused(
        [], record=kinds, probes_in_turn=[0, 1]
    )
    kinds[1] = {"columns": [{"is": "constant", "text": "B"}, COUNTS]}
    assert inputs_of(text_decoder([], record=kinds, probes_in_turn=[0, 1])) == (0, 1)


@pytest.mark.parametrize(
    ("columns", "others", "words"),
    [
        ([{"is": "probe"}, probe(1)], {}, "and not both"),
        ([{"is": "probe"}, {"is": "probe"}, THICK], {}, "must have one probe at most"),
        ([{"is": "probe"}, COUNTS], {}, "in addition to probe"),
        ([probe(0), probe(1), {"is": "amplitude"}], {}, "with each of its values"),
        ([probe(0), {**THICK, "probe": 0}], {}, "must have one thickness with probe = 0 at most"),
        (
            [probe(0), {"is": "time_of_flight", "unit": "us", "probe": 1}],
            {},
            "must have a time_of_flight with probe = 0, as another has one",
        ),
        (
            [probe(0), {"is": "status", "probe": 1, "valid": ["A"]}],
            {},
            "must have a thickness with probe = 1, as another has one",
        ),
        ([probe(0, held_after=3), probe(1)], {}, "must have the same held_after in each thickness"),
        ([NUMBER, probe(0), probe(1)], {"probes_in_turn": [0, 1]}, "must be left out, as the rec"),
        ([NUMBER, {"is": "probe"}, THICK], {"probes_in_turn": [0, 1]}, "must be left out, as the"),
        ([probe(256)], {}, "must be <= 255"),
    ],
)
def test_what_shows_no_input_is_refused(
    columns: list[dict[str, Any]], others: dict[str, Any], words: str
) -> None:
    """Each with what is wrong."""
    assert words in refused(columns, **others)


def test_single_input_may_be_named_once() -> None:
    """What names no input is of the only one there is."""
    batch = text_decoder([probe(3), {"is": "amplitude"}]).feed(b"1.5,80\r\n", 0)
    assert batch.readings[["probe", "thickness", "amplitude"]].tolist() == [(3, 1.5, 80.0)]


def test_running_numbers_count_records() -> None:
    """A record with two readings is none missing; one that is lost is one, not two."""
    kinds = [
        {"columns": [{"is": "constant", "text": "A"}, NUMBER, probe(0), probe(1)]},
        {"columns": [{"is": "constant", "text": "B"}, NUMBER, COUNTS]},
    ]
    decoder = text_decoder([], record=kinds, numbers="shared")
    batch = decoder.feed(b"A,1,1,1\r\nB,2,5\r\nA,3,1,1\r\nA,5,1,1\r\n", 0)
    assert batch.n_missing == 1
    assert batch.readings["sequence"].tolist() == [1, 1, 3, 3, 5, 5]


def test_channels_of_a_record_are_of_all_its_readings() -> None:
    """Own ones of each record, and those of other kinds of records."""
    own = {"is": "channel", "name": "gain"}
    held = {"is": "channel", "name": "heat"}
    kinds = [
        {"columns": [{"is": "constant", "text": "A"}, probe(0), own, probe(1)]},
        {"columns": [{"is": "constant", "text": "B"}, held]},
    ]
    batch = text_decoder([], record=kinds).feed(
        b"B,9\r\nA,1,5,1\r\nA,1,6,1\r\nB,8\r\nA,1,7,1\r\n", 0
    )
    assert batch.channels is not None
    assert batch.channels.tolist() == [[5, 9], [5, 9], [6, 9], [6, 9], [7, 8], [7, 8]]
    batch = text_decoder([probe(0), own, probe(1)]).feed(b"1,5,1\r\n1,6,1\r\n", 0)
    assert batch.channels is not None
    assert batch.channels.tolist() == [[5], [5], [6], [6]]


GROUP = [{"is": "probe", "type": "u1"}, {**THICK, "type": "u1"}]


def test_groups_with_a_clock_of_their_own_are_records() -> None:
    """Each sample has its own time and offset, and the input that its group names."""
    group = [*GROUP, {"is": "device_time", "type": "u1", "unit": "ms"}]
    table = frame([{**COUNTS, "type": "u1"}], repeat={"fields": group})
    batch = make_driver("frames", table).decoder(ns_per_byte=0)
    found = batch.feed(b"\xc0\x09\x01\x05\x10\x01\x06\x11\xc0", 0)
    assert found.readings["probe"].tolist() == [1, 1]
    assert np.unique(found.readings["offset"]).size == 2
    assert found.positions.size == 2


@pytest.mark.parametrize(
    ("own", "repeat", "words"),
    [
        ([], {"interval": "1 ms"}, "must be left out, as each group is of another input"),
        (
            [{"is": "interval", "type": "u1", "unit": "ms"}],
            {},
            "must be 'skip', as each group is of another input",
        ),
        ([], {"fields": [*GROUP, {**COUNTS, "type": "u1"}]}, "must be before the group"),
    ],
)
def test_groups_of_inputs_have_one_time_and_place(
    own: list[dict[str, Any]], repeat: dict[str, Any], words: str
) -> None:
    """What would give each group its own is refused."""
    fields = own or [{"is": "skip", "bytes": 1}]
    assert words in frame_refused(frame(fields, repeat={"fields": GROUP, **repeat}))


def test_input_that_the_field_cannot_hold_is_refused() -> None:
    """By its type, or by its mask."""
    field = {"is": "probe", "type": "u1", "mask": 0x03, "inputs": [1, 4]}
    assert "must be < 4" in frame_refused(frame([field, {**THICK, "type": "u2"}]))
    field["mask"] = 0x05
    assert "one next to the other" in frame_refused(frame([field, {**THICK, "type": "u2"}]))


def test_number_of_the_input_is_bounded() -> None:
    """256 is no input in any type."""
    table = frame([{"is": "probe", "type": "u2"}, {**THICK, "type": "u1"}])
    batch = make_driver("frames", table).decoder(ns_per_byte=0).feed(b"\xc0\x00\x01\x05\xc0", 0)
    assert not batch.readings.size
    assert batch.faults[0].detail == "field 1 (probe): 256 is not 0 to 255"


class Sends(ChunkwiseDecoder):
    """An outside decoder that sends what it is given."""

    axes = ("scan",)
    count_periods: dict[str, int | None] = {"scan": None}  # noqa: RUF012
    length_axes: frozenset[str] = frozenset()
    gives_readings = gives_positions = combined = True
    has_clock = numbered = False
    clock_wrap_ns = sequence_wrap = pulse_period_ns = waveform = None
    held_after: dict[str, int] = {}  # noqa: RUF012
    gives = frozenset({"thickness"})
    inputs: tuple[int, ...] | None = (0, 1)

    def __init__(self, rows: list[tuple[int, int, int]], positions: int) -> None:
        """Take offset, input and running number of each reading."""
        self._readings = np.zeros(len(rows), READING)
        self._readings["thickness"] = 1.0
        self._readings["valid"] = True
        self._readings["size"] = 2
        for name, column in zip(
            ("offset", "probe", "sequence"), zip(*rows, strict=True), strict=True
        ):
            self._readings[name] = column
        self._positions = np.zeros(positions, position_dtype(1))
        self._positions["offset"] = np.arange(positions) * 2

    def feed(self, data: bytes, time_ns: int) -> Batch:  # noqa: ARG002
        """Return all of it."""
        return Batch(
            readings=self._readings,
            positions=self._positions,
            combined=True,
            record_bytes=len(data),
        )

    def reset(self, offset: int) -> Batch:  # noqa: ARG002
        """Return nothing."""
        return Batch(positions=self._positions[:0], combined=True)


@pytest.mark.parametrize(
    ("rows", "positions", "words"),
    [
        ([(0, 0, 5), (0, 1, 5), (2, 0, 6)], 2, ""),
        ([(0, 0, 5), (0, 2, 5)], 1, "of the input 2, which its 'inputs' do not list"),
        ([(0, 0, 5), (0, 1, 5), (0, 0, 5)], 1, "two readings of one input in one record"),
        ([(0, 0, 5), (0, 1, 6)], 1, "readings of one record that differ in 'sequence'"),
        ([(0, 0, 5), (0, 1, 5), (2, 0, 6)], 3, "3 readings with 3 positions"),
        ([(0, 0, 5), (1, 1, 5)], 2, "offsets do not rise"),
    ],
)
def test_guard_knows_records_with_several_readings(
    rows: list[tuple[int, int, int]], positions: int, words: str
) -> None:
    """What an outside decoder sends of several inputs is what it states, and one record hangs together."""
    decoder = guarded("outside", lambda: Sends(rows, positions))
    assert inputs_of(decoder) == (0, 1)
    batch = decoder.feed(b"abcdef"[: 2 * positions], 0)
    if not words:
        assert batch.readings["probe"].tolist() == [0, 1, 0]
    else:
        assert words in batch.faults[0].detail


def test_inputs_that_are_none_are_refused() -> None:
    """They are numbers that the column can hold."""
    assert checked_inputs((3, 1, 1)) == (1, 3)
    assert checked_inputs(None) is None
    for wrong in ((), (256,), (-1,)):
        with pytest.raises(ValueError, match="'inputs' must be numbers from 0 to 255"):
            checked_inputs(wrong)
