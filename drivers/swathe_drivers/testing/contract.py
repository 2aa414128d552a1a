"""The contract that every driver keeps, as tests to inherit."""

import decimal
import locale
import random
import sys
import tracemalloc
import warnings

import numpy as np
import pytest

from swathe_drivers.abc import NumberingDecoder, inputs_of
from swathe_drivers.errors import SettingsError
from swathe_drivers.records import (
    ABSENT_TIME,
    MAX_EXCERPT,
    MAX_FAULTS,
    READING,
    FaultReason,
    begins_record,
    position_dtype,
)
from swathe_drivers.settings import read_settings
from swathe_drivers.testing.feeding import (
    MS,
    assert_same_account,
    assert_same_records,
    assert_same_stream,
    at_times,
    in_groups,
    one_by_one,
    random_pieces,
    total,
)
from swathe_drivers.testing.meaning import RecordMeaning
from swathe_drivers.testing.over_ports import OverPorts


class DriverContract(RecordMeaning, OverPorts):
    """Tests of one driver with one table of settings; inherit it, and state what `ContractBase` requires.

    A decoder of the driver gives the same records however the stream is cut, finds its way after
    garbage, accounts for each byte, raises nothing and holds no more than its limit. Behind a real
    port it survives the loss of the port, and leaves no thread and no file behind.
    """

    def test_settings_refuse_an_unknown_key(self) -> None:
        """A misspelt key is reported, not ignored."""
        model = self.load().Settings
        with pytest.raises(SettingsError) as caught:
            read_settings(model, {**self.settings, "no_such_setting": 1}, key="protocol")
        assert "protocol.no_such_setting" in str(caught.value)

    def test_abilities_fit_the_records(self) -> None:
        """The abilities that the decoder states is what its batches hold."""
        decoder = self.decoder()
        found = self.feed(self.whole, decoder=decoder)
        assert found.readings.dtype == READING
        assert found.positions.dtype == position_dtype(len(decoder.axes))
        assert decoder.gives_readings == bool(found.readings.size)
        assert decoder.gives_positions == bool(found.positions.size) == bool(decoder.axes)
        assert set(decoder.count_periods) == set(decoder.axes)
        assert decoder.length_axes <= set(decoder.axes)
        assert decoder.gives <= {"time_of_flight", "thickness", "amplitude", "waveform"}
        for name in {"time_of_flight", "thickness", "amplitude"} - decoder.gives:
            assert np.isnan(found.readings[name]).all(), f"{name!r} is not in 'gives'"
        if not decoder.has_clock:
            for records in (found.readings, found.positions):
                assert (records["device_time"] == ABSENT_TIME).all(), "'has_clock' is false"
        if decoder.numbered:
            missing = {batch.n_missing for batch in found.batches}
            assert missing == {None}, "'n_missing' is None where records are numbered"
        if decoder.combined:
            assert begins_record(found.readings).sum() == found.positions.size
        if (inputs := inputs_of(decoder)) is not None:
            assert set(found.readings["probe"].tolist()) <= set(inputs)
        assert (decoder.waveform is not None) == (found.waveforms is not None)
        if decoder.waveform is not None and found.waveforms is not None:
            assert found.waveforms.shape == (found.readings.size, decoder.waveform.samples)
            assert found.waveforms.dtype == decoder.waveform.dtype

    def test_each_record_comes_out(self) -> None:
        """One for each piece, and no fault."""
        assert len(self.records) >= 3, "give three records at least"
        found = self.feed(self.whole)
        assert found.readings.size + found.positions.size >= self.expected
        assert set(found.n_faults) <= {FaultReason.PARTIAL}
        assert found.bytes == sum(map(len, self.records))

    def test_stream_cut_at_every_byte_gives_the_same(self) -> None:
        """Each record in two pieces, at each place; and all of them byte by byte."""
        whole = self.feed(self.whole)
        for cut in range(1, max(map(len, self.records))):
            found = self.feed([[record[:cut], record[cut:]] for record in self.records])
            assert_same_records(whole, found)
            assert_same_account(whole, found)
        found = self.feed([[bytes([byte]) for byte in record] for record in self.records])
        assert_same_records(whole, found)
        assert_same_account(whole, found)

    def test_chunks_fed_together_give_the_same(self) -> None:
        """`feed_chunks` of many is `feed` one after the other, also in when records are known."""
        source = random.Random(2)
        for _ in range(80):
            pieces = random_pieces(self._damaged(source), source)
            chunks = at_times(pieces, source, silence_ns=self.silence_ms * MS)
            ns = source.choice([0, 87_000])
            alone = one_by_one(self.decoder(ns_per_byte=ns), chunks)
            found = in_groups(self.decoder(ns_per_byte=ns), chunks, source)
            assert_same_stream(alone, found)
            assert found.readings_known_at.size == found.readings.size
            assert found.positions_known_at.size == found.positions.size

    def test_sound_records_fed_together_give_the_same(self) -> None:
        """As above, each record in one chunk with its silence behind it."""
        chunks = [
            (MS + number * self.silence_ms * MS, record)
            for number, record in enumerate(self.records)
        ]
        alone = one_by_one(self.decoder(), chunks)
        assert_same_stream(alone, in_groups(self.decoder(), chunks, random.Random(3)))
        assert_same_records(self.feed(self.whole), alone, but=())

    def test_newest_faults_are_described_however_many_there_are(self) -> None:
        """Much garbage at once and in pieces: the same last faults."""
        source = random.Random(4)
        data = (self.garbage + self.records[0]) * (2 * MAX_FAULTS)
        whole = one_by_one(self.decoder(), [(MS, data)])
        pieces = random_pieces(data, source, cuts=40)
        cut = one_by_one(self.decoder(), [(MS, piece) for piece in pieces])
        assert_same_stream(whole, cut)

    def test_times_never_fall_and_lie_in_the_past(self) -> None:
        """A record began before its last byte arrived."""
        decoder = self.decoder(ns_per_byte=87_000)
        last = 0
        for number in range(3 * len(self.records)):
            now = 1_000_000_000 + number * 50 * MS
            batch = decoder.feed(self.records[number % len(self.records)], now)
            for records in (batch.readings, batch.positions):
                if records.size:
                    assert (records["time"] <= now).all()
                    assert (np.diff(records["time"]) >= 0).all()
                    assert records["time"][0] >= last
            if batch.readings.size or batch.positions.size:
                newest = batch.readings if batch.readings.size else batch.positions
                last = int(newest["time"][-1])

    def test_records_do_not_overlap(self) -> None:
        """Offset and size, where the decoder knows it, are those of bytes of the stream."""
        found = self.feed(self.whole)
        for records in (found.readings, found.positions):
            ends = records["offset"] + records["size"]
            assert (records["size"] >= 0).all()
            assert (ends <= sum(map(len, self.records))).all()
            assert (records["offset"][1:] >= ends[:-1]).all()

    def test_records_have_the_numbers_of_requests_or_none_has(self) -> None:
        """Each record of a decoder that can match them with requests, in whatever groups it is fed."""
        decoder, source = self.decoder(), random.Random(6)
        numbering = isinstance(decoder, NumberingDecoder)
        found = in_groups(decoder, [(MS, record) for record in self.records], source)
        assert found.readings_request.size == numbering * found.readings.size
        assert found.positions_request.size == numbering * found.positions.size

    def test_garbage_costs_no_record_and_is_counted(self) -> None:
        """In front, in between, behind: the same records, and every byte counted."""
        whole = self.feed(self.whole)
        parts: list[list[bytes]] = [[self.garbage]]
        for record in self.records:
            parts += [[record], [self.garbage]]
        found = self.feed(parts)
        # The records behind which there is garbage are all known to have ended.
        assert found.records >= whole.records
        if found.records == whole.records:
            assert_same_records(whole, found, but=("time", "offset"))
        assert found.n_faults.total() + found.n_ignored > 0
        assert found.bytes == sum(map(len, self.records)) + len(self.garbage) * (
            len(self.records) + 1
        )

    def test_faults_tell_their_place(self) -> None:
        """Offsets rise and are in the stream; what is quoted was there."""
        decoder, data = self.decoder(), self.garbage * 3
        faults = [*decoder.feed(data, MS).faults, *decoder.reset(len(data)).faults]
        assert len(faults) <= 2 * MAX_FAULTS
        offsets = [fault.offset for fault in faults]
        assert offsets == sorted(offsets)
        for fault in faults:
            assert fault.detail
            assert len(fault.excerpt) <= MAX_EXCERPT
            assert data[fault.offset :].startswith(fault.excerpt)

    def test_record_cut_off_by_a_lost_port_is_one_partial_fault(self) -> None:
        """What comes after the port is back is decoded as from the beginning."""
        fresh = self.feed(self.whole)
        for cut in {1, len(self.records[0]) // 2, len(self.records[0]) - 1} - {0}:
            decoder = self.decoder()
            begun = self.records[0][:cut]
            lost = total([decoder.feed(begun, MS), decoder.reset(1000)])
            assert lost.bytes == cut
            assert lost.n_faults.total() + lost.n_ignored >= 1
            batches = [
                decoder.feed(record, 2 * MS + number * self.silence_ms * MS)
                for number, record in enumerate(self.records)
            ]
            batches.append(decoder.reset(5000))
            found = total(batches)
            assert_same_records(fresh, found, but=("time", "offset"))
            records = found.readings if found.readings.size else found.positions
            assert records["offset"][0] == 1000 + int(_first_offset(fresh))

    def test_reset_gives_no_record(self) -> None:
        """What the chunks have not decided, the loss of the port does not."""
        source = random.Random(5)
        for _ in range(20):
            decoder, data = self.decoder(), self._damaged(source)
            decoder.feed(data, MS)
            batch = decoder.reset(len(data))
            assert batch.readings.size == batch.positions.size == 0

    def test_any_bytes_give_only_records_and_faults(self) -> None:
        """Damaged, cut, repeated and shuffled: nothing is raised, no byte is lost."""
        source = random.Random(1)
        for _ in range(80):
            data = self._damaged(source)
            pieces = random_pieces(data, source, cuts=6)
            found = one_by_one(self.decoder(), [(MS, piece) for piece in pieces])
            assert found.bytes == len(data)
            assert_same_stream(one_by_one(self.decoder(), [(MS, data)]), found)

    def _damaged(self, source: random.Random) -> bytes:
        parts = source.choices([*self.records, self.garbage], k=source.randrange(1, 8))
        data = bytearray(b"".join(parts))
        for _ in range(source.randrange(8)):
            at = source.randrange(len(data))
            match source.randrange(4):
                case 0:
                    data[at] ^= 1 << source.randrange(8)
                case 1 if len(data) > 1:
                    del data[at]
                case 2:
                    data.insert(at, source.choice([0, 1, 10, 13, 127, 128, 255]))
                case _:
                    data[at:at] = source.randbytes(source.randrange(6))
        return bytes(data)

    def test_memory_is_bounded_whatever_comes(self) -> None:
        """Much, with and without records, leaves no more than the limit behind."""
        whole = b"".join(self.records)
        for filling in (b"\0", b"\xff", b"A", self.records[0][:1], self.records[0][:-1], whole):
            decoder = self.decoder()
            chunk = (filling * (4096 // len(filling) + 1))[:4096]
            decoder.feed(chunk, MS)
            tracemalloc.start()
            try:
                for number in range(80):
                    decoder.feed(chunk, 2 * MS + number)
                held, _ = tracemalloc.get_traced_memory()
            finally:
                tracemalloc.stop()
            assert held <= self.memory, f"{held} bytes are held after 320 kB of {filling[:8]!r}..."

    def test_decoders_of_one_driver_know_nothing_of_each_other(self) -> None:
        """What one was fed does not show in the other."""
        driver = self.load()
        made = driver(read_settings(driver.Settings, dict(self.settings), key="protocol"))
        one, other = made.decoder(ns_per_byte=0), made.decoder(ns_per_byte=0)
        one.feed(self.records[0][:-1], MS)
        assert_same_records(self.feed(self.whole), self.feed(self.whole, decoder=other))

    def test_process_is_left_as_it_was(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Nothing is printed, and numpy's handling of errors, locale and random numbers stay."""
        before = _process()
        capsys.readouterr()
        decoder = self.decoder()
        self.feed([*self.whole, [self.garbage]], decoder=decoder)
        printed, after = capsys.readouterr(), _process()
        for name in before:
            assert after[name] == before[name], f"{name} of the process changed"
        assert printed.out == printed.err == "", "the decoder prints"


def _process() -> dict[str, object]:
    """Return what a driver might change of the process that it runs in."""
    return {
        "numpy's handling of errors": np.geterr(),
        "the locale": locale.setlocale(locale.LC_ALL),
        "the decimal context": str(decimal.getcontext()),
        "the state of random numbers": random.getstate(),
        "the limit of recursion": sys.getrecursionlimit(),
        "the filter of warnings": list(warnings.filters),
    }


def _first_offset(found: object) -> int:
    records = found.readings if found.readings.size else found.positions  # type: ignore[attr-defined]
    return int(records["offset"][0])
