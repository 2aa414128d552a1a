"""A decoder that cannot hurt: what another one raises, or returns wrongly, becomes a counted fault.

What comes out depends on the chunks and their times alone, never on how many are fed at once: the
decoder of another package is fed chunk by chunk, and one of ours is, once it has failed, put back to
what it was and fed chunk by chunk from there. A decoder that failed is replaced by a new one, which
begins behind the chunk with which the failure came; what it had learned from earlier bytes is lost.
"""

import pickle
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from swathe_drivers.abc import (
    CuttingDecoder,
    Decoder,
    NumberingDecoder,
    ToldDecoder,
    channels_of,
    inputs_of,
)
from swathe_drivers.checked_batch import BatchCheck, made_decoder
from swathe_drivers.chunkwise import joined
from swathe_drivers.errors import DriverError
from swathe_drivers.failure_text import failure_text
from swathe_drivers.fed import Chunks, are_whole, faulty_times, feed_again
from swathe_drivers.inputs import checked_inputs
from swathe_drivers.records import (
    MAX_EXCERPT,
    Batch,
    ChannelFormat,
    Fault,
    FaultReason,
    WaveformFormat,
    no_positions,
    no_times,
)

__all__ = ["GuardedDecoder", "guarded"]

MOST_PENDING: Final = 1 << 20
"""A decoder that holds more bytes than this has failed."""

_IN_A_ROW: Final = 16
_PAUSE_NS: Final = 1_000_000_000
"""After `_IN_A_ROW` failures without a record, the driver's code is tried once in this time."""

# What is kept of a trusted decoder's input since it was copied last.
_MOST_KEPT_BYTES: Final = 256 << 10
_MOST_KEPT_CHUNKS: Final = 4096

_MOST_FAILURES: Final = 1 << 18
"""More than can be fed in one go."""


def guarded(name: str, make: Callable[[], Decoder], *, trusted: bool = False) -> "GuardedDecoder":
    """Return a decoder that does what those of `make` do, and raises nothing.

    Args:
        name: of the driver, for its faults.
        make: makes a fresh decoder.
        trusted: whether it is one of ours, whose batches are not checked until it fails.

    Raises:
        DriverError: `make` fails, or what it makes is no decoder.
    """
    decoder = made_decoder(name, make)
    if isinstance(decoder, NumberingDecoder):
        return GuardedNumberingDecoder(name, make, decoder, trusted=trusted)
    return GuardedDecoder(name, make, decoder, trusted=trusted)


class GuardedDecoder:
    """Feeds a decoder and catches what it does wrong; see `guarded` and `swathe_drivers.abc.Decoder`.

    Attributes:
        driver: name of the driver.
        faulty: arrival of each chunk of the last call of `feed_chunks` that gave a fault, as if each had
            been fed alone, ns; a lost step of an encoder's lines is none. Of a device without readings
            only the last chunk is named: nobody asks for more, and it costs feeding a copy.
    """

    def __init__(
        self, name: str, make: Callable[[], Decoder], decoder: Decoder, *, trusted: bool
    ) -> None:
        self.driver: Final = name
        self.faulty: list[int] = []
        self._failures: deque[tuple[int, str]] = deque(maxlen=_MOST_FAILURES)
        self._make = make
        self._trusted = trusted
        self._decoder: Decoder | None = decoder
        try:
            self.axes: Final[tuple[str, ...]] = tuple(decoder.axes)
            self.count_periods: Final[Mapping[str, int | None]] = dict(decoder.count_periods)
            self.length_axes: Final[frozenset[str]] = frozenset(decoder.length_axes)
            self.gives_readings: Final = bool(decoder.gives_readings)
            self.gives_positions: Final = bool(decoder.gives_positions)
            self.combined: Final = bool(decoder.combined)
            self.has_clock: Final = bool(decoder.has_clock)
            self.clock_wrap_ns: Final[int | None] = decoder.clock_wrap_ns
            self.sequence_wrap: Final[int | None] = decoder.sequence_wrap
            self.numbered: Final = bool(decoder.numbered)
            self.pulse_period_ns: Final[float | None] = decoder.pulse_period_ns
            self.held_after: Final[Mapping[str, int]] = dict(decoder.held_after)
            self.gives: Final[frozenset[str]] = frozenset(decoder.gives)
            self.waveform: Final[WaveformFormat | None] = decoder.waveform
            self.channels: Final[tuple[ChannelFormat, ...]] = channels_of(decoder)
            self.inputs: Final[tuple[int, ...] | None] = checked_inputs(inputs_of(decoder))
            self._numbering = isinstance(decoder, NumberingDecoder)
            self._check = self._new_check(0)
        except Exception as error:
            message = f"driver {name!r} has a decoder whose abilities {failure_text(error)}"
            raise DriverError(message) from error
        self._nothing = self._empty()
        self._end = 0  # offset in the stream of the next byte
        self._pending = bytearray()  # what no batch has accounted for
        self._in_a_row = 0
        self._failed_at = 0
        self._told = isinstance(decoder, ToldDecoder)
        self._asked: list[tuple[bytes, int]] = []  # since the copy was made, and the newest one
        self._copy: bytes | None = None  # pickled, as it was before the chunks that are kept
        self._kept: list[tuple[int, bytes] | None] = []  # None: it was cut there
        self._kept_bytes = 0

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk, which arrived at `time_ns`; raises nothing."""
        return self.feed_chunks([(time_ns, data)])

    def feed_chunks(self, chunks: Chunks) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        if self._trusted and (batch := self._feed_together(chunks)) is not None:
            return batch
        batches = [self._feed_one(data, time) for time, data in chunks]
        self.faulty = faulty_times(chunks, batches)
        return joined(batches)

    def asked(self, request: bytes, offset: int) -> None:
        """Take note of what was sent; see `swathe_drivers.abc.ToldDecoder`. Raises nothing."""
        if not self._told:
            return
        self._asked.append((request, offset))
        self._tell([self._asked[-1]])

    def _tell(self, requests: Sequence[tuple[bytes, int]]) -> None:
        try:
            for request, offset in requests:
                if isinstance(self._decoder, ToldDecoder):
                    self._decoder.asked(request, offset)
        except Exception:  # noqa: BLE001  of code that is not ours
            self._decoder = None

    def take_failures(self) -> list[tuple[int, str]]:
        """Return time of the chunk, ns, and text of each failure since they were taken last."""
        found = list(self._failures)
        self._failures.clear()
        return found

    def reset(self, offset: int) -> Batch:
        """Forget the record that has only begun; the stream continues at byte `offset`."""
        decoder, self._decoder = self._decoder, None
        pending = len(self._pending)
        problem, batch = "", self._nothing
        if decoder is not None:
            try:
                batch = decoder.reset(offset)
                problem = self._check.problem(batch, pending=pending, end=self._end, time_ns=None)
            except KeyboardInterrupt:
                raise
            except BaseException as error:  # noqa: BLE001  of code that is not ours
                problem = failure_text(error)
        if problem:
            batch = self._fault(problem)
        elif decoder is not None:
            self._decoder = decoder
        self._end = offset
        self._pending.clear()
        self._check = self._new_check(offset)
        self._forget()
        return batch

    def cut(self) -> Batch:
        """Take note of a request; see `swathe_drivers.abc.CuttingDecoder`. Raises nothing."""
        decoder, pending = self._decoder, len(self._pending)
        if decoder is None or not pending:
            return self._nothing
        if not isinstance(decoder, CuttingDecoder):
            later = [one for one in self._asked if one[1] >= self._end]
            batch = self.reset(self._end)
            self._asked = later
            self._tell(later)
            return batch
        self._decoder = None
        try:
            batch = decoder.cut()
            problem = self._check.problem(
                batch, pending=pending, end=self._end, time_ns=None, keeps=True
            )
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001  of code that is not ours
            problem = failure_text(error)
        if problem:
            self._forget()
            return self._fault(problem)
        self._decoder = decoder
        self._kept.append(None)
        del self._pending[: batch.record_bytes + batch.fault_bytes + batch.ignored_bytes]
        return batch

    def feed_whole(self, chunks: Chunks, cuts: Sequence[int]) -> Batch | None:
        """Decode chunks in one go, between which `cut` would change nothing; else None, and nothing changes.

        Args:
            chunks: see `swathe_drivers.abc.Decoder.feed_chunks`.
            cuts: offsets in the stream at which requests were sent.
        """
        decoder, end = self._decoder, self._end
        if self._pending or not self._trusted or not getattr(decoder, "gives_each", False):
            return None
        before = pickle.dumps(decoder, pickle.HIGHEST_PROTOCOL)
        batch = self._feed_together(chunks)
        if batch is None or are_whole(batch, end, self._end - len(self._pending), cuts):
            return batch
        self._decoder = pickle.loads(before)  # noqa: S301  of ours, and never left the process
        self._end = end
        self._pending.clear()
        self._forget()
        return None

    def _feed_together(self, chunks: Chunks) -> Batch | None:
        """Return what a trusted decoder makes of chunks; None if it fails, as it was before them."""
        decoder = self._decoder
        if decoder is None:
            self._trusted = False
            return None
        if (
            self._copy is None
            or self._kept_bytes > _MOST_KEPT_BYTES
            or len(self._kept) > _MOST_KEPT_CHUNKS
        ):
            self._forget()
            self._copy = pickle.dumps(decoder, pickle.HIGHEST_PROTOCOL)
        before, kept = self._copy, len(self._kept)
        try:
            batch = decoder.feed_chunks(chunks)
        except KeyboardInterrupt:
            raise
        except BaseException:  # noqa: BLE001  it is fed again, and fails in its place
            self._restore(pickle.loads(before))  # noqa: S301  of ours, and never left the process
            return None
        self._kept += chunks
        for _, data in chunks:
            self._kept_bytes += len(data)
            self._end += len(data)
            self._pending += data
        del self._pending[: batch.record_bytes + batch.fault_bytes + batch.ignored_bytes]
        self.faulty = faulty_times(chunks[-1:], [batch] * bool(chunks))
        if self.faulty and len(chunks) > 1 and self.gives_readings:
            self.faulty = self._faulty_alone(pickle.loads(before), kept)  # noqa: S301  as above
            self._forget()
        return batch

    def _faulty_alone(self, decoder: Decoder, first: int) -> list[int]:
        """Return which of the chunks kept from number `first` on give a fault, each fed alone to a copy."""
        if isinstance(decoder, ToldDecoder):
            for request, offset in self._asked:
                decoder.asked(request, offset)
        feed_again(decoder, self._kept[:first])
        chunks = [chunk for chunk in self._kept[first:] if chunk is not None]
        return faulty_times(chunks, [decoder.feed(data, time) for time, data in chunks])

    def _restore(self, decoder: Decoder) -> None:
        """Continue with the copy of a trusted decoder, fed with what was kept, one by one."""
        self._decoder = decoder
        self._tell(self._asked)
        feed_again(decoder, self._kept)
        self._decoder, self._trusted = decoder, False
        self._check = self._new_check(self._end - len(self._pending))
        self._forget()

    def _forget(self) -> None:
        self._copy = None
        self._kept, self._kept_bytes = [], 0
        del self._asked[:-1]

    def _feed_one(self, data: bytes, time: int) -> Batch:
        """Return what one chunk gives; its records are known at its time."""
        at = self._end
        self._end += len(data)
        self._pending += data
        problem, batch = "", self._nothing
        if self._decoder is None:
            if self._in_a_row >= _IN_A_ROW and time < self._failed_at + _PAUSE_NS:
                return self._fault(
                    f"not decoded: driver {self.driver!r} failed {_IN_A_ROW} times in a row and is"
                    " tried once a second"
                )
            problem = self._replace(at)
        if self._decoder is not None:
            try:
                batch = self._decoder.feed(data, time)
                problem = self._check.problem(
                    batch, pending=len(self._pending), end=self._end, time_ns=time
                )
            except KeyboardInterrupt:
                raise
            except BaseException as error:  # noqa: BLE001  of code that is not ours
                problem = failure_text(error)
        if not problem:
            del self._pending[: batch.record_bytes + batch.fault_bytes + batch.ignored_bytes]
            if len(self._pending) <= MOST_PENDING:
                return self._known(batch, time)
            problem = f"holds {len(self._pending):,} bytes without a record or a fault"
        self._decoder = None
        self._in_a_row += 1
        self._failed_at = time
        batch = self._fault(problem)
        fault = batch.faults[-1]
        self._failures.append((time, f"{fault.detail}, at byte {fault.offset:,}"))
        return batch

    def _replace(self, offset: int) -> str:
        """Make a new decoder that begins at byte `offset`; return why that is not possible."""
        try:
            decoder = self._make()
            decoder.reset(offset)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001  of code that is not ours
            return failure_text(error)
        self._check = self._new_check(offset)
        self._decoder = decoder
        self._tell(self._asked[-1:])
        return ""

    def _known(self, batch: Batch, time: int) -> Batch:
        """Return the batch of one chunk with when it is known, in arrays that are nobody else's."""
        readings, positions = batch.readings.size, batch.positions.size
        if readings or positions:
            self._in_a_row = 0
        return replace(
            batch,
            readings=batch.readings.copy() if readings else batch.readings,
            positions=batch.positions.copy() if positions else batch.positions,
            waveforms=None if batch.waveforms is None else batch.waveforms.copy(),
            channels=None if batch.channels is None else batch.channels.copy(),
            readings_known_at=np.full(readings, time, np.int64) if readings else no_times(),
            positions_known_at=np.full(positions, time, np.int64) if positions else no_times(),
        )

    def _fault(self, problem: str) -> Batch:
        """Return the fault of all bytes that no batch has accounted for."""
        size = len(self._pending)
        fault = Fault(
            offset=self._end - size,
            length=size,
            reason=FaultReason.DRIVER,
            excerpt=bytes(self._pending[:MAX_EXCERPT]),
            detail=f"driver {self.driver!r} {problem}",
        )
        self._pending.clear()
        return replace(
            self._nothing, faults=(fault,), n_faults={FaultReason.DRIVER: 1}, fault_bytes=size
        )

    def _empty(self) -> Batch:
        form = self.waveform
        return Batch(
            positions=no_positions(len(self.axes)),
            waveforms=None if form is None else np.empty((0, form.samples), form.dtype),
            channels=np.empty((0, len(self.channels))) if self.channels else None,
            combined=self.combined,
        )

    def _new_check(self, offset: int) -> BatchCheck:
        return BatchCheck(self, numbering=self._numbering, offset=offset)


class GuardedNumberingDecoder(GuardedDecoder):
    """Guards a decoder whose records carry the number of their request."""

    def __init__(
        self, name: str, make: Callable[[], Decoder], decoder: NumberingDecoder, *, trusted: bool
    ) -> None:
        super().__init__(name, make, decoder, trusted=trusted)
        self._numbers = decoder
        self.numbers_differ: Final = bool(self._numbers.numbers_differ)

    def number_of(self, request: bytes) -> int:
        """Return the number that the answer to these bytes carries; -1 where the driver fails."""
        try:
            return int(self._numbers.number_of(request))
        except Exception:  # noqa: BLE001  of code that is not ours
            return -1
