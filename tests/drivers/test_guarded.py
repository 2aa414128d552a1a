"""What an outside driver does wrong is a counted fault, in the same place however it is fed."""

from __future__ import annotations

import pickle
import random
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from support.failing_driver.invented_failing import (
    FAILURES,
    FailingDriver,
    FailingSettings,
)
from swathe_drivers import (
    AskingDriver,
    Batch,
    Decoder,
    DriverError,
    FaultReason,
    NumberingDecoder,
    load_driver,
)
from swathe_drivers.failure_text import failure_text
from swathe_drivers.guarded import MOST_PENDING, GuardedDecoder, guarded
from swathe_drivers.made import GuardedFinder, MadeDriver, make_driver
from swathe_drivers.talk import Quiet, Request, make_schedule
from swathe_drivers.testing.feeding import (
    MS,
    assert_same_records,
    assert_same_stream,
    in_groups,
    one_by_one,
)

PROTOCOL: dict[str, Any] = {
    "columns": [
        {"is": "time_of_flight", "unit": "us"},
        {"is": "counts", "axis": "scan"},
    ]
}
LINES = [f"{1 + k / 100:.2f},{10 * k}\r\n".encode() for k in range(60)]
BAD = b"1.30,300"
"""In the 31st line, so that the chunk with its last byte fails."""


def chunks_of(pieces: Sequence[bytes]) -> list[tuple[int, bytes]]:
    """Return the pieces, one each millisecond."""
    return [(MS * (1 + number), piece) for number, piece in enumerate(pieces)]


def outside(failure: str, on: bytes = BAD, *, once: bool = False) -> GuardedDecoder:
    """Return a guarded decoder that fails with certain bytes."""
    settings = FailingSettings(protocol=PROTOCOL, on=on.decode(), failure=failure, once=once)
    return MadeDriver("unfinished", FailingDriver(settings)).decoder(ns_per_byte=0)


def test_guarded_decoder_is_copied_by_pickle() -> None:
    """As a part of the pipeline it is in each checkpoint; the copy decodes the rest of the stream."""
    driver = make_driver("delimited", PROTOCOL)
    one, other = (driver.decoder(ns_per_byte=0) for _ in range(2))
    first, rest = chunks_of(LINES)[:31], chunks_of(LINES)[31:]
    before = one.feed_chunks(first)
    other.feed_chunks(first)
    copied = pickle.loads(pickle.dumps(one))  # noqa: S301  made here
    after = copied.feed_chunks(rest)
    assert after.readings.tobytes() == other.feed_chunks(rest).readings.tobytes()
    assert len(before.readings) + len(after.readings) == len(LINES)


@pytest.mark.parametrize("failure", sorted(FAILURES))
def test_failure_is_a_fault_that_names_driver_and_byte(failure: str) -> None:
    """One fault over the bytes that no batch had accounted for; the lines around it are decoded."""
    found = one_by_one(outside(failure), chunks_of(LINES))
    assert found.n_faults == {FaultReason.DRIVER: 1}
    (fault,) = found.faults
    assert fault.offset == sum(map(len, LINES[:30]))
    assert fault.length == len(LINES[30])
    assert fault.excerpt == LINES[30]
    assert fault.detail.startswith("driver 'unfinished' ")
    values = [round(1 + k / 100, 2) for k in range(60) if k != 30]
    assert found.readings["time_of_flight"].tolist() == values
    assert found.bytes == sum(map(len, LINES))
    np.testing.assert_array_equal(
        found.readings["offset"][30:], np.cumsum([0, *map(len, LINES)])[31:-1]
    )


@pytest.mark.parametrize("failure", sorted(FAILURES))
def test_how_many_chunks_are_fed_at_once_does_not_matter(failure: str) -> None:
    """Records, faults and when they are known are the same for each grouping of the same chunks."""
    source = random.Random(7)
    data = b"".join(LINES)
    for _ in range(8):
        places = sorted(source.sample(range(1, len(data)), 25))
        pieces = [
            data[begin:end] for begin, end in zip([0, *places], [*places, len(data)], strict=True)
        ]
        chunks = chunks_of(pieces)
        alone = one_by_one(outside(failure), chunks)
        assert alone.n_faults[FaultReason.DRIVER] == 1
        assert_same_stream(alone, in_groups(outside(failure), chunks, source))


class _Ours:
    """A decoder of ours that has a bug: `feed_chunks` is quicker, and raises as `feed` does."""

    def __init__(self) -> None:
        driver = load_driver("delimited")
        made = driver(driver.Settings.model_validate(PROTOCOL))
        self._decoder = made.decoder(ns_per_byte=0)
        self.in_one_go = 0

    def __getattr__(self, name: str) -> Any:
        if name == "_decoder":
            raise AttributeError(name)
        return getattr(self._decoder, name)

    def feed(self, data: bytes, time_ns: int) -> Batch:
        return self._feed([(time_ns, data)])

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        self.in_one_go += 1
        return self._feed(chunks)

    def _feed(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        batch = self._decoder.feed_chunks(chunks)
        if (batch.readings["time_of_flight"] == 1.30).any():
            message = "a bug of ours"
            raise ZeroDivisionError(message)
        return batch


def test_our_own_decoders_are_fed_in_groups_until_one_fails() -> None:
    """It is put back to what it was before the group, so that the failing chunk alone is lost."""
    source = random.Random(8)
    pieces = [piece for line in LINES for piece in (line[:3], line[3:])]
    alone = one_by_one(guarded("ours", _Ours, trusted=True), chunks_of(pieces))
    assert alone.n_faults == {FaultReason.DRIVER: 1}
    assert alone.faults[0].offset == sum(map(len, LINES[:30]))
    for most in (2, 30, 200):
        decoder = guarded("ours", _Ours, trusted=True)
        assert_same_stream(alone, in_groups(decoder, chunks_of(pieces), source, most=most))


def test_chunks_that_gave_a_fault_are_named_however_they_are_fed() -> None:
    """The line whose second half came with the first of these chunks is none; nor one that waits."""
    made = make_driver("delimited", PROTOCOL).decoder(ns_per_byte=0)
    data = b"1.00,0\r\n1.0x,1\r\n1.00,2\r\n1.00,3\r\n1.x0,"
    chunks = chunks_of([data[:4], data[4:8], data[8:20], data[20:24], data[24:], b"4\r\n"])
    assert isinstance(made, GuardedDecoder)
    made.feed_chunks(chunks[:1])
    assert made.faulty == []
    made.feed_chunks(chunks[1:5])
    assert made.faulty == [3 * MS]
    made.feed_chunks(chunks[5:])
    assert made.faulty == [6 * MS]
    outsider = outside("raises", on=b"1.00,2")
    outsider.feed_chunks(chunks[:5])
    assert 3 * MS in outsider.faulty
    assert 1 * MS not in outsider.faulty


def test_sound_decoder_of_ours_is_never_fed_one_by_one() -> None:
    """The guard costs one call for a group."""
    made: list[_Ours] = []

    def make() -> Any:
        made.append(_Ours())
        return made[-1]

    decoder = guarded("ours", make, trusted=True)
    decoder.feed_chunks(chunks_of(LINES[:20]))
    assert made[0].in_one_go == 1


def test_driver_that_raises_at_everything_is_tried_once_a_second() -> None:
    """No byte is lost from the account, and its code is hardly called."""
    decoder = outside("raises", b"")
    calls = 0
    fail = decoder._replace

    def counted(offset: int) -> str:
        nonlocal calls
        calls += 1
        return fail(offset)

    decoder._replace = counted  # type: ignore[method-assign]
    chunks = [(k * 10 * MS, b"x") for k in range(1000)]
    found = one_by_one(decoder, chunks)
    assert found.fault_bytes == 1000
    assert found.n_faults == {FaultReason.DRIVER: 1000}
    assert calls == 15 + 9
    assert "tried once a second" in found.faults[-1].detail
    again = in_groups(outside("raises", b""), chunks, random.Random(3), most=90)
    assert_same_stream(one_by_one(outside("raises", b""), chunks), again)


def test_driver_that_works_again_is_used_again() -> None:
    """A record after the pause ends it."""
    decoder = outside("raises", b"!")
    bad = [(k * MS, b"!") for k in range(40)]
    good = [(2_000 * MS + k * MS, line) for k, line in enumerate(LINES)]
    found = one_by_one(decoder, [*bad, *good])
    assert found.readings.size == len(LINES)


def test_driver_that_makes_no_second_decoder_fails_on_and_loses_no_account() -> None:
    """Each further chunk is a fault with the reason."""
    found = one_by_one(outside("raises", once=True), chunks_of(LINES))
    assert found.readings.size == 30
    assert found.fault_bytes == sum(map(len, LINES[30:]))
    assert "the licence is for one decoder" in found.faults[1].detail


def test_failures_are_reported_once_each_with_their_time() -> None:
    """For an alarm; those of the pause are not counted again."""
    decoder = outside("raises")
    decoder.feed_chunks(chunks_of(LINES))
    ((time, text),) = decoder.take_failures()
    assert time == 31 * MS
    assert text.startswith(
        "driver 'unfinished' raised KeyError: 'no such key' (invented_failing.py, line "
    )
    assert text.endswith(f", at byte {sum(map(len, LINES[:30])):,}")
    assert decoder.take_failures() == []


class _Odd:
    """Does one thing wrong that has nothing to do with a batch."""

    def __init__(self, wrong: str) -> None:
        driver = load_driver("delimited")
        made = driver(driver.Settings.model_validate(PROTOCOL))
        self._decoder = made.decoder(ns_per_byte=0)
        self._wrong = wrong
        self._kept = 0

    def __getattr__(self, name: str) -> Any:
        if name in ("_decoder", "_wrong") or name == self._wrong:
            raise AttributeError(name)
        return getattr(self._decoder, name)

    def feed(self, data: bytes, time_ns: int) -> Batch:
        if self._wrong == "holds":
            return self._decoder.feed(b"", time_ns)
        return self._decoder.feed(data, time_ns)

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        return self._decoder.feed_chunks(chunks)

    def reset(self, offset: int) -> Batch:
        if self._wrong == "raises at reset" and offset:
            raise OSError
        batch = self._decoder.reset(offset)
        return Batch(positions=batch.positions, combined=True) if self._wrong == "loses" else batch


@pytest.mark.parametrize("wrong", ["raises at reset", "loses"])
def test_reset_that_fails_is_a_fault_of_the_bytes_that_are_dropped(wrong: str) -> None:
    """The bytes are accounted for, and decoding continues behind."""
    decoder = guarded("odd", lambda: _Odd(wrong))
    decoder.feed(b"1.2", MS)
    lost = decoder.reset(1000)
    assert lost.n_faults == {FaultReason.DRIVER: 1}
    assert lost.fault_bytes == 3
    assert decoder.feed(LINES[0], 2 * MS).readings.size == (wrong == "loses")


def test_decoder_that_holds_everything_is_replaced() -> None:
    """Memory is bounded by the guard."""
    decoder = guarded("odd", lambda: _Odd("holds"))
    piece = bytes(1 << 16)
    batches = [decoder.feed(piece, MS * k) for k in range(17)]
    assert sum(batch.fault_bytes for batch in batches) == MOST_PENDING + len(piece)


@pytest.mark.parametrize("missing", ["axes", "gives", "reset"])
def test_decoder_without_a_member_is_refused_by_name(missing: str) -> None:
    """Before any port is opened."""
    odd = _Odd(missing)
    if missing == "reset":
        odd = type("Odd", (), {})()
    with pytest.raises(DriverError, match=f"driver 'odd' makes no decoder: .*{missing}"):
        guarded("odd", lambda: odd)


def test_arrays_that_a_decoder_uses_again_do_not_change_what_it_gave() -> None:
    """A buffer that it fills for each batch is copied."""

    class Reusing(_Odd):
        rows: Any = None

        def feed(self, data: bytes, time_ns: int) -> Batch:
            batch = super().feed(data, time_ns)
            if batch.readings.size != 1:
                return batch
            if self.rows is None:
                self.rows = batch.readings
            self.rows[:] = batch.readings
            return Batch(
                readings=self.rows,
                positions=batch.positions,
                combined=True,
                record_bytes=batch.record_bytes,
            )

    decoder = guarded("odd", lambda: Reusing(""))
    first = decoder.feed(LINES[0], MS)
    decoder.feed(LINES[1], 2 * MS)
    assert first.readings["time_of_flight"].tolist() == [1.0]


def test_numbers_of_requests_are_passed_on_and_guarded() -> None:
    """A guarded decoder is a `NumberingDecoder` where the one behind it is."""
    driver = load_driver("modbus")
    read = {"fields": [{"is": "counts", "axis": "scan", "register": 0, "type": "int16"}]}
    made = driver(driver.Settings.model_validate({"reads": [read]}))
    decoder = MadeDriver("modbus", made).decoder(ns_per_byte=0)
    assert isinstance(decoder, NumberingDecoder)
    assert decoder.number_of(bytes.fromhex("01 03 00 00 00 01 84 0a")) == 0
    assert not isinstance(outside("raises"), NumberingDecoder)


class _Finder:
    settles_at: int | None = None

    def begin(self, request: bytes) -> None:
        """Nothing."""

    def feed(self, _data: bytes, _time_ns: int) -> bool:
        raise IndexError


def test_finder_that_fails_is_replaced_by_a_silence() -> None:
    """The thread that reads the port goes on, and the answer still ends."""
    finder = GuardedFinder(_Finder())
    finder.begin(b"?")
    assert not finder.feed(b"1", MS)
    assert finder.settles_at == 21 * MS


def _driver(requests: Callable[[], Any], answers: Callable[[], Any]) -> MadeDriver:
    inner = FailingDriver(FailingSettings(protocol=PROTOCOL, on="!"))
    inner.requests, inner.answers = requests, answers  # type: ignore[attr-defined]
    assert isinstance(inner, AskingDriver)
    return MadeDriver("asks", inner)


def _fails(*_arguments: object) -> Any:
    message = "no such register"
    raise LookupError(message)


@pytest.mark.parametrize(
    ("requests", "answers"),
    [
        (_fails, lambda: None),
        (lambda: [Request(_fails, 1000)], lambda: None),
        (list, _fails),
    ],
)
def test_what_a_driver_sends_fails_before_a_port_is_opened(
    requests: Callable[[], Any], answers: Callable[[], Any]
) -> None:
    """The error names the driver."""
    with pytest.raises(DriverError, match=r"driver 'asks' cannot .*LookupError: no such register"):
        make_schedule(_driver(requests, answers), None) or _driver(requests, answers).answers()


def test_request_that_cannot_be_made_later_costs_the_port_not_the_thread() -> None:
    """It is a `ValueError`, which the reader of the port takes for the loss of the port."""
    later = False

    def make(_number: int) -> bytes:
        return bytes(_fails()) if later else b"?"

    schedule = make_schedule(_driver(lambda: [Request(make, 1000)], lambda: Quiet(1)), None)
    assert schedule is not None
    schedule.opened(0)
    later = True
    with pytest.raises(ValueError, match="driver 'asks' cannot make a request"):
        schedule.due(0)


def test_text_of_a_failure_is_the_same_in_each_run() -> None:
    """One line, no address, no control character, of bounded length; whatever the error's text is."""
    text = failure_text(ValueError(f"\x1b[31m {object()!r}\n{'x' * 999}"))
    assert text.startswith("raised ValueError: ?[31m <object object at 0x…> xxx")
    assert len(text) < 200

    class MuteError(Exception):
        def __str__(self) -> str:
            raise ValueError

    assert failure_text(MuteError()) == "raised MuteError"


def test_guarded_decoder_is_a_decoder() -> None:
    """It offers all that `abc` requires."""
    assert isinstance(outside("raises"), Decoder)


def test_decoder_that_does_not_fail_gives_what_it_gives() -> None:
    """The guard changes nothing."""
    driver = load_driver("delimited")
    bare = driver(driver.Settings.model_validate(PROTOCOL))
    chunks = chunks_of(LINES)
    with_guard = MadeDriver("delimited", driver(driver.Settings.model_validate(PROTOCOL)))
    expected = one_by_one(bare.decoder(ns_per_byte=87_000), chunks)
    assert_same_stream(expected, one_by_one(with_guard.decoder(ns_per_byte=87_000), chunks))
    assert_same_records(expected, one_by_one(outside("raises", b"!"), chunks))


FRAME_PROTOCOL: dict[str, Any] = {
    "framing": {"kind": "fixed", "length": 4},
    "checksum": {"kind": "xor8"},
    "byte_order": "big",
    "fields": [{"is": "thickness", "type": "u2", "unit": "um"}, {"is": "skip"}],
}


def test_decoder_that_is_fed_again_is_cut_where_it_was() -> None:
    """To find the chunk with a fault: the rest before the request is none of these."""
    decoder = make_driver("frames", FRAME_PROTOCOL).decoder(ns_per_byte=0)
    decoder.feed(b"\x01\x02\x03\x00", MS)
    decoder.feed(b"\x21", 2 * MS)
    cut = decoder.cut()
    assert (cut.n_faults, cut.fault_bytes) == ({FaultReason.PARTIAL: 1}, 1)
    assert not decoder.cut().n_faults  # nothing is left over
    good = b"\x12\x34\x01\x27"
    found = decoder.feed_chunks([(3 * MS, good), (4 * MS, good[:3] + b"\x22"), (5 * MS, good)])
    assert found.readings["thickness"].tolist() == [4.66, 4.66]
    assert decoder.faulty == [5 * MS]  # the next frame shows where the fault ends


def test_what_was_fed_in_one_go_in_vain_is_not_counted_twice() -> None:
    """A request was sent within a frame: the decoder is as it was before."""
    decoder = make_driver("frames", FRAME_PROTOCOL).decoder(ns_per_byte=0)
    good = b"\x12\x34\x01\x27"
    chunks = [(MS, good[:2]), (2 * MS, good[2:] + good[:1])]
    assert decoder.feed_whole(chunks, [2]) is None
    assert not decoder.cut().n_faults
    assert decoder.feed(good, 3 * MS).readings["offset"].tolist() == [0]
    assert not decoder._pending


class _Plain:
    """A decoder that knows no `cut`, and forgets what was sent when its port is lost."""

    def __init__(self) -> None:
        driver = load_driver("delimited")
        made = driver(driver.Settings.model_validate(PROTOCOL))
        self._decoder = made.decoder(ns_per_byte=0)
        self.requests: list[tuple[bytes, int]] = []

    def __getattr__(self, name: str) -> Any:
        if name in ("_decoder", "cut"):
            raise AttributeError(name)
        return getattr(self._decoder, name)

    def asked(self, request: bytes, offset: int) -> None:
        self.requests.append((request, offset))

    def reset(self, offset: int) -> Batch:
        self.requests.clear()
        return self._decoder.reset(offset)


def test_decoder_without_a_cut_of_its_own_drops_what_has_begun() -> None:
    """As at the loss of its port; what it was told to be sent from there on is not forgotten."""
    made: list[_Plain] = []

    def make() -> Any:
        made.append(_Plain())
        return made[-1]

    decoder = guarded("plain", make)
    at = len(LINES[0]) + 3
    for request, offset in ((b"A", 0), (b"B", at), (b"C", at + 50)):
        decoder.asked(request, offset)
    assert decoder.feed_chunks(chunks_of([LINES[0], b"1.3"])).readings.size == 1
    cut = decoder.cut()
    assert [(fault.offset, fault.reason) for fault in cut.faults] == [(at - 3, "partial")]
    assert made[0].requests == [(b"B", at), (b"C", at + 50)]
    assert decoder.feed(LINES[1], 9 * MS).readings["time_of_flight"].tolist() == [1.01]


def test_cut_that_fails_is_a_fault_of_the_driver() -> None:
    """The bytes that were left over are in it, and a new decoder reads what follows."""

    class Failing(_Plain):
        def cut(self) -> Batch:
            raise RuntimeError

    decoder = guarded("failing", Failing)
    decoder.feed(b"1.3", MS)
    assert [fault.excerpt for fault in decoder.cut().faults] == [b"1.3"]
    assert decoder.feed(LINES[1], 2 * MS).readings["time_of_flight"].tolist() == [1.01]
