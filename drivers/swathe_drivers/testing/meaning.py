"""The part of the contract on what records mean: values, places, and what must give no record."""

import math
import random
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe_drivers.abc import inputs_of
from swathe_drivers.framing import MAX_TERMINATOR
from swathe_drivers.records import FaultReason
from swathe_drivers.testing.base import ContractBase
from swathe_drivers.testing.feeding import MS, Total, one_by_one

_PLACED: Final = ("time", "offset", "size")
"""Columns that depend on where in the stream a record is."""

_MOST_PLACES: Final = 24
_MOST_BITS: Final = 200
_TOGETHER: Final = 64
_FAR: Final = 5_000_000_000
"""Beyond 32 bits, as an offset after some days."""

_TEXTS: Final = (b"nan", b"inf", b"-inf", b"1e999", b"9" * 400, b"-", b".", b"\xff\xfe", b"\0" * 9)
"""What numbers in a text may be mistaken for."""


class RecordMeaning(ContractBase):
    """Tests of what the records are, against what the author states of them."""

    def test_values_are_those_of_the_manual(self) -> None:
        """Each record holds what `values` states: units, scale, sign, number, validity."""
        assert len(self.values) == len(self.records), "state the values of each record"
        self._compare(self.feed(self.whole), list(range(self.expected)))

    def test_values_do_not_depend_on_other_records(self) -> None:
        """Each second record left out, as on a bad line: the others are the same."""
        if self.counter:
            pytest.skip("a record means something only with those before it")
        numbers = list(range(0, len(self.records), 2))
        found = self.feed([[self.records[number]] for number in numbers])
        self._compare(found, numbers[: len(numbers) - (self.silence_ms > 0)])

    def _compare(self, found: Total, numbers: list[int]) -> None:
        """Compare the records found with what is stated of the numbers given."""
        for row, number in enumerate(numbers):
            stated = self.values[number]
            known = set()
            for records in (found.readings, found.positions):
                for name in set(stated) & set(records.dtype.names or ()) if records.size else ():
                    known.add(name)
                    assert records.size > row, f"no record comes of {self.records[number]!r}"
                    value = records[name][row]
                    # A column of 32 bits holds 7 digits.
                    np.testing.assert_allclose(
                        np.asarray(value, np.float64),
                        np.asarray(stated[name], np.float64),
                        rtol=1e-6 if value.dtype == np.float32 else 1e-12,
                        err_msg=f"{name} of record {number}, {self.records[number]!r}",
                    )
            assert known == set(stated), f"no column {sorted(set(stated) - known)}"

    def test_values_cover_what_the_decoder_gives(self) -> None:
        """What is not stated is not tested: each quantity, the counts, a number, a time, no echo."""
        decoder, stated = self.decoder(), set[str]().union(*self.values)
        required = set(decoder.gives) - {"waveform"}
        required |= {"valid"} if decoder.gives_readings and not self.always_valid else set()
        required |= {"counts"} if decoder.gives_positions else set()
        required |= {"sequence"} if decoder.numbered else set()
        required |= {"probe"} if decoder.gives_readings and inputs_of(decoder) != (0,) else set()
        required |= {"device_time"} if decoder.has_clock else set()
        assert stated >= required, f"state {sorted(required - stated)} of the records in 'values'"
        for name in sorted(required - {"valid"}):
            given = {str(row[name]) for row in self.values if name in row}
            assert len(given) > 1, f"give records that differ in {name!r}"
        if (wrap := decoder.sequence_wrap) is not None and decoder.numbered:
            numbers = {row["sequence"] for row in self.values if "sequence" in row}
            assert {0, wrap - 1} <= numbers, (
                f"give the record with the highest number, {wrap - 1}, and the one behind it, with 0:"
                " 'sequence_wrap' says that they follow one another"
            )
        if "valid" in required and "waveform" not in decoder.gives:
            texts = "one with and one without an echo, or state 'always_valid = True'"
            assert {bool(row["valid"]) for row in self.values if "valid" in row} == {
                True,
                False,
            }, f"give at least {texts}"

    def test_damaged_samples_give_no_record(self) -> None:
        """Before a sound record, which is still found."""
        sound = self._rows(self.feed([[self.records[0]], [self.garbage]]))
        for sample in self.damaged:
            found = self.feed([[sample], [self.records[0]], [self.garbage]])
            assert self._rows(found) == sound, f"a record comes of {sample!r}"
            assert found.n_faults.total() + found.n_ignored > 0

    def test_flipped_bit_gives_no_other_value(self) -> None:
        """Where a checksum covers the record: any single bit of it, in any place."""
        if not self.checksum:
            pytest.skip("the protocol has no checksum")
        faults = 0
        for record in (self.records[0], self.records[-1]):
            sound = self._rows(self.feed([[record], [self.garbage]]))
            bits = range(8 * len(record))
            if len(bits) > _MOST_BITS:
                bits = sorted(random.Random(10).sample(bits, _MOST_BITS))  # type: ignore[assignment]
            for bit in bits:
                flipped = bytearray(record)
                flipped[bit // 8] ^= 1 << bit % 8
                total = self.feed([[bytes(flipped)], [self.garbage]])
                found = self._rows(total)
                assert found <= sound, f"bit {bit} flipped gives {found} of {bytes(flipped)!r}"
                faults += total.n_faults[FaultReason.CHECKSUM]
        assert faults, "no flipped bit is a fault 'checksum': damaged records are passed over"

    def test_no_byte_in_any_place_raises(self) -> None:
        """Each value of a byte in a record's places; numbers that are none; parts of records."""
        source = random.Random(9)
        altered = list(self._altered(source))
        together = 1 if self.silence_ms else _TOGETHER
        parts: list[list[bytes]] = []
        for begin in range(0, len(altered), together):
            parts += [[self.garbage.join(altered[begin : begin + together])], [self.garbage]]
        found = self.feed(parts)
        assert found.bytes == sum(len(part[0]) for part in parts)

    def _altered(self, source: random.Random) -> Iterator[bytes]:
        record = self.records[0]
        places = list(range(len(record)))
        if len(places) > _MOST_PLACES:
            places = [*places[: _MOST_PLACES // 2], *places[-_MOST_PLACES // 2 :]]
        for at in places[:: 4 if self.silence_ms else 1]:
            yield from (record[:at] + bytes([value]) + record[at + 1 :] for value in range(256))
        for text in _TEXTS:
            yield from (record[:at] + text + record[at + 1 :] for at in places[::3])
        for value in range(256):
            yield bytes([value])
            yield record + bytes([value]) + record
        for _ in range(100):
            other = source.choice(self.records)
            begin = source.randrange(len(other))
            part = other[begin : begin + source.randrange(1, len(other) + 1)]
            at = source.randrange(len(record) + 1)
            yield record[:at] + part + record[at + source.randrange(len(record) - at + 1) :]

    def test_offset_and_size_are_those_of_the_record(self) -> None:
        """To the byte, at the beginning of a stream and far behind it."""
        for start in (0, _FAR):
            decoder = self.decoder()
            decoder.reset(start)
            now, at, begins, rows = MS, start, [], []
            for record in self.records:
                batch = decoder.feed(record, now)
                rows += [batch.readings, batch.positions]
                begins.append(at + self.record_begins)
                at += len(record)
                now += self.silence_ms * MS
            for kind in (0, 1):
                records = np.concatenate(rows[kind::2])
                if records.size and records.size == self.expected:
                    assert records["offset"].tolist() == begins[: self.expected]
                    for size, record in zip(records["size"].tolist(), self.records, strict=False):
                        whole = len(record) - self.record_begins
                        assert size == 0 or whole - MAX_TERMINATOR <= size <= whole

    def test_time_is_when_the_first_byte_began(self) -> None:
        """A record is as many bytes' time older than its arrival as it has bytes; to the nanosecond."""
        if self.silence_ms:
            pytest.skip("what ends by a silence is timed by that")
        ns = 87_000
        for now in (1_000_000_000, 2**62 + 1):
            decoder = self.decoder(ns_per_byte=ns)
            batch = decoder.feed(self.records[0], now)
            for records in (batch.readings, batch.positions):
                if records.size:
                    expected = now - ns * (len(self.records[0]) - self.record_begins)
                    assert int(records["time"][0]) == expected

    def test_same_bytes_give_the_same_again(self) -> None:
        """Of a second decoder, and of one that another driver makes: nothing random, nothing kept."""
        chunks = [(MS * (1 + n * (1 + self.silence_ms)), r) for n, r in enumerate(self.records)]
        model = self.load()
        first = one_by_one(self.decoder(), chunks)
        for _ in range(2):
            again = one_by_one(self.decoder(), chunks)
            for name in ("readings", "positions"):
                assert getattr(first, name).tobytes() == getattr(again, name).tobytes(), name
            assert first.faults == again.faults
        assert self.load() is model

    def test_batch_does_not_change_afterwards(self) -> None:
        """An array that was returned is not used for the next batch."""
        decoder = self.decoder()
        now, kept = MS, []
        for record in (*self.records, *self.records):
            batch = decoder.feed(record, now)
            kept += [(rows, rows.copy()) for rows in (batch.readings, batch.positions)]
            if batch.waveforms is not None:
                kept.append((batch.waveforms, batch.waveforms.copy()))
            now += MS + self.silence_ms * MS
        for rows, copy in kept:
            assert rows.tobytes() == copy.tobytes(), "a batch changed after it was returned"

    def test_decoders_side_by_side_share_nothing(self) -> None:
        """Two get the halves of their records in turn."""
        one, other = self.decoder(), self.decoder()
        one.reset(0)
        other.reset(0)
        found: list[list[NDArray[Any]]] = [[], []]
        now = MS
        for number in range(len(self.records)):
            mine, yours = self.records[number], self.records[-1 - number]
            half, part = len(mine) // 2, max(1, len(yours) // 3)
            for decoder, rows, data in (
                (one, found[0], mine[:half]),
                (other, found[1], yours[:part]),
                (one, found[0], mine[half:]),
                (other, found[1], yours[part:]),
            ):
                batch = decoder.feed(data, now)
                rows += [batch.readings, batch.positions]
            now += self.silence_ms * MS
        for rows, parts in (
            (found[0], self.records),
            (found[1], tuple(reversed(self.records))),
        ):
            alone = self.feed([[part] for part in parts])
            for kind, expected in ((0, alone.readings), (1, alone.positions)):
                if expected.size:
                    assert np.concatenate(rows[kind::2]).tobytes() == _at_ms(
                        expected, rows[kind::2]
                    )

    def test_many_records_in_one_chunk_all_come_out(self) -> None:
        """As each by itself; and an empty chunk gives nothing."""
        decoder = self.decoder()
        empty = decoder.feed(b"", MS)
        assert empty.readings.size == empty.positions.size == 0
        if self.silence_ms:
            pytest.skip("what ends by a silence does not come in one chunk")
        together = decoder.feed(b"".join(self.records), 2 * MS)
        alone = self.feed(self.whole)
        for rows, expected in (
            (together.readings, alone.readings),
            (together.positions, alone.positions),
        ):
            assert rows.size == expected.size
            for name in set(rows.dtype.names or ()) - {"time"}:
                np.testing.assert_array_equal(rows[name], expected[name], err_msg=name)

    def test_abilities_stay(self) -> None:
        """What a decoder states of itself is the same before and after its records."""
        decoder = self.decoder()
        before = _abilities(decoder)
        self.feed([*self.whole, [self.garbage], *self.whole], decoder=decoder)
        assert _abilities(decoder) == before
        assert _abilities(self.decoder()) == before

    def _rows(self, found: Total) -> set[tuple[str, ...]]:
        """Return what the records hold, without where and when."""
        rows = set()
        for kind, records in (("reading", found.readings), ("position", found.positions)):
            names = [name for name in records.dtype.names or () if name not in _PLACED]
            for record in records:
                rows.add((kind, *(f"{name} {_shown(record[name])}" for name in names)))
        return rows


def _shown(value: Any) -> str:  # noqa: ANN401  a field of any type
    return "nan" if isinstance(value, float) and math.isnan(value) else str(value)


def _at_ms(expected: NDArray[Any], found: list[NDArray[Any]]) -> bytes:
    """Return the bytes of records with the times at which others were found."""
    moved = expected.copy()
    times = np.concatenate([rows["time"] for rows in found])
    if times.size == moved.size:
        moved["time"] = times
    return moved.tobytes()


def _abilities(decoder: object) -> dict[str, str]:
    names = (
        "axes count_periods length_axes gives_readings gives_positions combined has_clock"
        " clock_wrap_ns sequence_wrap numbered pulse_period_ns held_after gives waveform"
    )
    stated = {name: repr(getattr(decoder, name)) for name in names.split()}
    return stated | {"inputs": repr(getattr(decoder, "inputs", None))}
