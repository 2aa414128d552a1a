"""Deliberate mistakes in a sound driver, each of which the contract must find."""
# ruff: noqa: D102  the class says what is wrong with its method

from __future__ import annotations

import inspect
import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swathe_drivers import Batch, Fault
from swathe_drivers.template.contract import TestExample as Contract
from swathe_drivers.template.driver import LINE, ExampleDecoder, ExampleDriver
from swathe_drivers.testing.contract import DriverContract


def readings_with(batch: Batch, column: str, values: Any) -> Batch:
    """Return a batch whose readings have other values in a column."""
    rows = batch.readings.copy()
    rows[column] = values
    return replace(batch, readings=rows)


class Mistaken(ExampleDecoder):
    """Feeds the sound decoder, and changes what it gives."""

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode, wrongly."""
        return self.changed(super().feed(data, time_ns))

    def changed(self, batch: Batch) -> Batch:
        """Return another batch; the class's mistake."""
        return batch


# Those that were found from the beginning.


class RaisesOnZero(ExampleDecoder):
    """Raises where a byte is 0."""

    def feed(self, data: bytes, time_ns: int) -> Batch:
        if 0 in data:
            raise ValueError
        return super().feed(data, time_ns)


class KeepsAll(ExampleDecoder):
    """Holds all bytes for ever."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._all: list[bytes] = []

    def feed(self, data: bytes, time_ns: int) -> Batch:
        self._all.append(data + b" ")
        return super().feed(data, time_ns)


class TimeToCome(ExampleDecoder):
    """Gives times behind the arrival."""

    def feed(self, data: bytes, time_ns: int) -> Batch:
        return super().feed(data, time_ns + 1_000_000_000)


class DropsSmallChunks(ExampleDecoder):
    """Takes a single byte for nothing."""

    def feed(self, data: bytes, time_ns: int) -> Batch:
        return super().feed(b"" if len(data) == 1 else data, time_ns)


class DescribesOneFault(Mistaken):
    """Describes the first fault only."""

    def changed(self, batch: Batch) -> Batch:
        return replace(batch, faults=batch.faults[:1])


class KnownLate(ExampleDecoder):
    """Gives all records of a group the time of its last chunk."""

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        batch = super().feed_chunks(chunks)
        return replace(batch, readings_known_at=np.full(batch.readings.size, chunks[-1][0]))


class FlushesAtReset(ExampleDecoder):
    """Gives its last record once more as the port is lost."""

    last: Batch | None = None

    def feed(self, data: bytes, time_ns: int) -> Batch:
        batch = super().feed(data, time_ns)
        self.last = batch if batch.readings.size else self.last
        return batch

    def reset(self, offset: int) -> Batch:
        batch = super().reset(offset)
        return batch if self.last is None else replace(batch, readings=self.last.readings)


# The seven that were not.


class SharesItsBuffer(ExampleDecoder):
    """All decoders collect in one buffer."""

    shared = bytearray()

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._kept = SharesItsBuffer.shared


class VerifiesNoChecksum(ExampleDecoder):
    """Takes any checksum."""

    def _checksum_holds(self, line: bytes, sent: bytes) -> bool:  # noqa: ARG002
        return True


class RaisesOnARareByte(ExampleDecoder):
    """Raises on one byte in one place."""

    def _take_line(self, line: bytes, began: int) -> None:
        if line[5:6] == b"\xb5":
            line.decode("ascii")
        super()._take_line(line, began)


class WrongScale(Mistaken):
    """Takes mm for inches."""

    def changed(self, batch: Batch) -> Batch:
        return readings_with(batch, "thickness", batch.readings["thickness"] * 25.4)


class NegativeNumber(Mistaken):
    """Counts from below zero."""

    def changed(self, batch: Batch) -> Batch:
        return readings_with(batch, "sequence", batch.readings["sequence"] - 500)


class ValueWithoutEcho(Mistaken):
    """Has a number in a reading that is not valid."""

    def changed(self, batch: Batch) -> Batch:
        values = np.nan_to_num(batch.readings["thickness"], nan=3.2)
        return readings_with(batch, "thickness", values)


class OffsetByOne(Mistaken):
    """Counts the bytes of the stream from 1."""

    def changed(self, batch: Batch) -> Batch:
        rows = readings_with(batch, "offset", batch.readings["offset"] + 1)
        return readings_with(rows, "size", batch.readings["size"] - 1)


# Ten that were invented with the new tests not in mind.


class TakesNoEmptyChunk(ExampleDecoder):
    """Looks at the last byte of each chunk."""

    def feed(self, data: bytes, time_ns: int) -> Batch:
        assert data[-1] >= 0
        return super().feed(data, time_ns)


class OneRecordAChunk(Mistaken):
    """Gives the first record of each chunk only, and takes the bytes of all for it."""

    def changed(self, batch: Batch) -> Batch:
        return replace(batch, readings=batch.readings[:1])


class UsesItsArrayAgain(Mistaken):
    """Fills one array for all of its batches."""

    rows: Any = None

    def changed(self, batch: Batch) -> Batch:
        if batch.readings.size != 1:
            return batch
        self.rows = batch.readings.copy() if self.rows is None else self.rows
        self.rows[:] = batch.readings
        return replace(batch, readings=self.rows)


class CountsByItself(Mistaken):
    """Numbers the records that come, not those that were sent."""

    count = 6

    def changed(self, batch: Batch) -> Batch:
        numbers = self.count + 1 + np.arange(batch.readings.size)
        self.count += batch.readings.size
        return readings_with(batch, "sequence", numbers)


class DrawsNumbers(Mistaken):
    """Smooths its values with noise, as some do against steps."""

    def changed(self, batch: Batch) -> Batch:
        noise = random.random() * 1e-13
        return readings_with(batch, "thickness", batch.readings["thickness"] + noise)


class NarrowOffsets(Mistaken):
    """Counts bytes in 32 bits."""

    def changed(self, batch: Batch) -> Batch:
        return readings_with(batch, "offset", batch.readings["offset"] & 0xFFFFFFFF)


class TimesInSeconds(Mistaken):
    """Computes times in seconds, of which a double has 15 digits."""

    def changed(self, batch: Batch) -> Batch:
        seconds = batch.readings["time"] / 1e9
        return readings_with(batch, "time", np.floor(seconds * 1e6).astype(np.int64) * 1000)


class ForgetsTheLine(ExampleDecoder):
    """Takes a record for as old as its last byte."""

    def _take_line(self, line: bytes, began: int) -> None:
        super()._take_line(line, began + len(self._kept) * self._ns_per_byte)


class LosesTheFirstAfterReset(Mistaken):
    """Waits for a second line after a reset, as the first may be a part."""

    skip = False

    def reset(self, offset: int) -> Batch:
        self.skip = offset > 0
        return super().reset(offset)

    def changed(self, batch: Batch) -> Batch:
        if self.skip and batch.readings.size:
            self.skip = False
            return replace(batch, readings=batch.readings[1:])
        return batch


class AccountsTwice(Mistaken):
    """Counts the bytes of a fault among the ignored ones, too."""

    def changed(self, batch: Batch) -> Batch:
        return replace(batch, ignored_bytes=batch.ignored_bytes + batch.fault_bytes)


# A few more of the same kind.


class LearnsItsAbilities(Mistaken):
    """States that it has an amplitude once it has seen a line."""

    def changed(self, batch: Batch) -> Batch:
        if batch.readings.size:
            self.gives = frozenset({"thickness", "amplitude"})  # type: ignore[misc]
        return batch


class TakesAnyNumber(ExampleDecoder):
    """Takes a value for a number as Python does; its pattern is as loose."""

    def _take_line(self, line: bytes, began: int) -> None:
        if LINE.fullmatch(line) is None and line.startswith(b"#007 A"):
            float(line[7:12])
        super()._take_line(line, began)


class QuotesElsewhere(Mistaken):
    """Describes a fault by other bytes than those at its offset."""

    def changed(self, batch: Batch) -> Batch:
        faults = [replace(fault, excerpt=fault.excerpt[::-1]) for fault in batch.faults]
        return replace(batch, faults=tuple[Fault, ...](faults))


class TruthOfTheState(Mistaken):
    """Takes V for valid."""

    def changed(self, batch: Batch) -> Batch:
        return readings_with(batch, "valid", ~batch.readings["valid"])


# Ten more; of these the tests of that time found two.


class KeepsEachRecord(ExampleDecoder):
    """Holds every sound line for ever, say for a statistic."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._lines: list[bytes] = []

    def _take_line(self, line: bytes, began: int) -> None:
        before = len(self._rows)
        super()._take_line(line, began)
        if len(self._rows) > before:
            self._lines.append(line + b" ")


class CountsInAByte(Mistaken):
    """Counts its records in 8 bits, and fails when they are full."""

    count = np.uint8(0)

    def changed(self, batch: Batch) -> Batch:
        if int(self.count) + batch.readings.size > 255:
            raise OverflowError
        self.count = np.uint8(int(self.count) + batch.readings.size)
        return batch


class IgnoresWhatIsDamaged(Mistaken):
    """Passes over lines whose checksum is wrong."""

    def changed(self, batch: Batch) -> Batch:
        return replace(
            batch,
            faults=(),
            n_faults={},
            n_ignored=batch.n_ignored + sum(batch.n_faults.values()),
            ignored_bytes=batch.ignored_bytes + batch.fault_bytes,
            fault_bytes=0,
        )


class FillsMoreThanItStates(Mistaken):
    """Puts its gain into the amplitude, which it does not state."""

    def changed(self, batch: Batch) -> Batch:
        return readings_with(batch, "amplitude", 42.5)


class ChangesNumpy(Mistaken):
    """Lets all of the process raise where a number is divided by 0."""

    def changed(self, batch: Batch) -> Batch:
        np.seterr(all="raise")
        return batch


class Prints(Mistaken):
    """Was debugged."""

    def changed(self, batch: Batch) -> Batch:
        if batch.readings.size:
            print(batch.readings["thickness"])
        return batch


class CountsMissingTwice(Mistaken):
    """Counts missing records by numbers that the daemon counts by, too."""

    last = -1

    def changed(self, batch: Batch) -> Batch:
        missing = 0
        for number in batch.readings["sequence"].tolist():
            missing += max(0, number - self.last - 1) if self.last >= 0 else 0
            self.last = number
        return replace(batch, n_missing=missing)


class DropsQuickRecords(ExampleDecoder):
    """Takes a record that comes within 1 ms of the one before for an echo of the line."""

    came = -(10**18)

    def feed(self, data: bytes, time_ns: int) -> Batch:
        batch = super().feed(data, time_ns)
        if batch.readings.size:
            quick, self.came = time_ns - self.came < 1_000_000, time_ns
            if quick:
                return replace(batch, readings=batch.readings[1:])
        return batch


class WrongRollOver(ExampleDecoder):
    """States that its number starts again at 100, where it does at 1000."""

    sequence_wrap = 100  # type: ignore[misc]


class UndoesTheRollOver(Mistaken):
    """Goes on counting where the device's number starts again at 0."""

    turns, last = 0, -1

    def changed(self, batch: Batch) -> Batch:
        out = []
        for number in batch.readings["sequence"].tolist():
            self.turns += number < self.last - 500
            self.last = number
            out.append(number + 1000 * self.turns)
        return readings_with(batch, "sequence", out)


MISTAKES: dict[type[ExampleDecoder], str] = {
    RaisesOnZero: "any_bytes_give_only_records_and_faults",
    KeepsAll: "memory_is_bounded_whatever_comes",
    TimeToCome: "times_never_fall_and_lie_in_the_past",
    DropsSmallChunks: "stream_cut_at_every_byte_gives_the_same",
    DescribesOneFault: "newest_faults_are_described_however_many_there_are",
    KnownLate: "chunks_fed_together_give_the_same",
    FlushesAtReset: "reset_gives_no_record",
    SharesItsBuffer: "decoders_side_by_side_share_nothing",
    VerifiesNoChecksum: "flipped_bit_gives_no_other_value",
    RaisesOnARareByte: "no_byte_in_any_place_raises",
    WrongScale: "values_are_those_of_the_manual",
    NegativeNumber: "each_record_comes_out",
    ValueWithoutEcho: "each_record_comes_out",
    OffsetByOne: "offset_and_size_are_those_of_the_record",
    TakesNoEmptyChunk: "many_records_in_one_chunk_all_come_out",
    OneRecordAChunk: "many_records_in_one_chunk_all_come_out",
    UsesItsArrayAgain: "batch_does_not_change_afterwards",
    CountsByItself: "values_do_not_depend_on_other_records",
    DrawsNumbers: "same_bytes_give_the_same_again",
    NarrowOffsets: "offset_and_size_are_those_of_the_record",
    TimesInSeconds: "time_is_when_the_first_byte_began",
    ForgetsTheLine: "time_is_when_the_first_byte_began",
    LosesTheFirstAfterReset: "record_cut_off_by_a_lost_port_is_one_partial_fault",
    AccountsTwice: "garbage_costs_no_record_and_is_counted",
    LearnsItsAbilities: "abilities_stay",
    TakesAnyNumber: "no_byte_in_any_place_raises",
    QuotesElsewhere: "faults_tell_their_place",
    TruthOfTheState: "values_are_those_of_the_manual",
    KeepsEachRecord: "memory_is_bounded_whatever_comes",
    CountsInAByte: "no_byte_in_any_place_raises",
    IgnoresWhatIsDamaged: "flipped_bit_gives_no_other_value",
    FillsMoreThanItStates: "abilities_fit_the_records",
    ChangesNumpy: "process_is_left_as_it_was",
    Prints: "process_is_left_as_it_was",
    CountsMissingTwice: "abilities_fit_the_records",
    DropsQuickRecords: "many_records_in_one_chunk_all_come_out",
    WrongRollOver: "values_cover_what_the_decoder_gives",
    UndoesTheRollOver: "values_are_those_of_the_manual",
}


def contract_of(decoder: type[ExampleDecoder]) -> DriverContract:
    """Return the template's contract over a driver with another decoder."""

    class Driver(ExampleDriver):
        def decoder(self, *, ns_per_byte: int) -> ExampleDecoder:
            return decoder(self._settings, ns_per_byte=ns_per_byte)

    contract = Contract()
    contract.driver = Driver  # type: ignore[misc]
    return contract


def failed(decoder: type[ExampleDecoder]) -> list[str]:
    """Return the tests of the contract that fail; those behind a port are left out."""
    contract, found = contract_of(decoder), []
    for name, test in inspect.getmembers(contract, inspect.ismethod):
        if name.startswith("test_") and not inspect.signature(test).parameters:
            try:
                test()
            except Exception:  # noqa: BLE001  whatever a test or the mistake raises
                found.append(name)
    return found


def test_sound_driver_passes() -> None:
    """No test fails without a mistake."""
    assert failed(ExampleDecoder) == []


@pytest.mark.parametrize(("mistake", "test"), MISTAKES.items())
def test_mistake_is_found(
    mistake: type[ExampleDecoder], test: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the test that is meant for it."""
    method = getattr(contract_of(mistake), f"test_{test}")
    more = {"capsys": capsys} if "capsys" in inspect.signature(method).parameters else {}
    errors = AssertionError, ValueError, UnicodeDecodeError, IndexError, OverflowError
    with np.errstate(), pytest.raises(errors):
        method(**more)
