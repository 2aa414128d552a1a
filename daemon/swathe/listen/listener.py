"""One port as ``swathe listen`` receives it: its bytes, what they mean, and what is wrong with them."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from time import sleep

import numpy as np
from numpy.typing import NDArray

from swathe.listen.record_fields import newest_records
from swathe_drivers import (
    Batch,
    CuttingDecoder,
    Decoder,
    Fault,
    FaultReason,
    PortReader,
    PortSettings,
    PortState,
    Schedule,
    ToldDecoder,
)
from swathe_drivers.capture import CaptureWriter
from swathe_drivers.lifecycle import Starting
from swathe_drivers.records import ABSENT_SEQUENCE, begins_record

__all__ = ["Listener", "PortSnapshot", "ReceivedChunk", "ReceivedRecord", "latency_text", "quoted"]

_QUEUE_LENGTH = 2_000
_MOST_BYTES = 1 << 20
_KEPT_CHUNKS = 200
_KEPT_RECORDS = 100
_KEPT_FAULTS = 20
_KEPT_LATENCIES = 1_000
_RATE_NS = 2_000_000_000
_PORT = "port"
_TEXT_CONTROLS = b"\t\r\n\x02\x03"  # such as also text protocols use


@dataclass(frozen=True, slots=True)
class _Chunk:
    time: int
    data: bytes


@dataclass(frozen=True, slots=True)
class _Change:
    time: int
    state: PortState
    detail: str


@dataclass(frozen=True, slots=True)
class _Sent:
    time: int
    data: bytes
    unanswered: bool


@dataclass(frozen=True, slots=True)
class ReceivedChunk:
    """Bytes as they came.

    Attributes:
        number: of the chunk, from 1.
        offset: of its first byte in the port's stream.
        time: since the first chunk, s.
        gap: since the chunk before, s; None for the first.
        data: the bytes.
    """

    number: int
    offset: int
    time: float
    gap: float | None
    data: bytes


@dataclass(frozen=True, slots=True)
class ReceivedRecord:
    """A decoded record: host time since the first chunk, s, and its fields as they are shown."""

    number: int
    time: float
    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PortSnapshot:
    """All there is to show at one moment.

    Attributes:
        state: of the port.
        detail: why, in words.
        seconds: from the first chunk to the last.
        bytes: received.
        chunks: received; `newest_chunks` are the last of them.
        sent: messages sent to the device; `newest_sent` is the last of them, quoted.
        latencies: from request to first byte of the answer, ns, of the newest answers.
        records: decoded; `newest_records` are the last of them.
        ignored: lines of another kind that the protocol ignores.
        missing: records that are missing by their running number.
        byte_rate: bytes a second over the last seconds.
        record_rate: records a second, likewise.
        faults: by reason.
        newest_faults: the last ones, with byte offsets.
        decoded: whether there is a protocol at all.
    """

    state: str
    detail: str
    seconds: float
    bytes: int
    chunks: int
    sent: int
    newest_sent: str
    latencies: tuple[int, ...]
    records: int
    ignored: int
    missing: int
    byte_rate: float
    record_rate: float
    faults: Mapping[str, int]
    newest_chunks: tuple[ReceivedChunk, ...]
    newest_records: tuple[ReceivedRecord, ...]
    newest_faults: tuple[Fault, ...]
    decoded: bool

    @property
    def good(self) -> bool:
        """Bytes came and, where there is a protocol, most of them made sense."""
        if not self.decoded:
            return self.bytes > 0
        # The first line is as a rule caught in its middle: that one fault is nobody's.
        return self.records > 0 and sum(self.faults.values()) <= 1 + self.records // 100


class Listener(Starting):
    """Reads a port and keeps the newest of what it sends; a context manager.

    Args:
        settings: of the port.
        decoder: of its protocol; None to show bytes only.
        schedule: what is sent to the device; None to listen only.
        capture: takes every byte, too; closed by its owner.
        keep_bytes: the first so many bytes are kept whole, for `suggest`.
    """

    def __init__(
        self,
        settings: PortSettings,
        *,
        decoder: Decoder | None = None,
        schedule: Schedule | None = None,
        capture: CaptureWriter | None = None,
        keep_bytes: int = 0,
    ) -> None:
        self._queue: deque[_Chunk | _Change | _Sent] = deque()
        self._put_bytes = 0  # of which `_bytes` were taken
        self._reader = PortReader(
            _PORT,
            settings,
            on_chunk=self._take_chunk,
            on_state=self._take_state,
            on_sent=self._take_sent,
            schedule=schedule,
        )
        self._schedule = schedule
        self._asked_at: int | None = None  # of the request whose answer has not begun
        self._latencies: deque[int] = deque(maxlen=_KEPT_LATENCIES)
        self._decoder = decoder
        self._capture = capture
        self._keep = keep_bytes
        self._closing = False
        self._state, self._detail = "waiting", ""
        self._first: int | None = None
        self._last = 0
        self._bytes = self._chunks = self._records = self._ignored = 0
        self._window: deque[tuple[int, int, int]] = deque()  # time, bytes, records
        self._newest_chunks: deque[ReceivedChunk] = deque(maxlen=_KEPT_CHUNKS)
        self._newest_records: deque[ReceivedRecord] = deque(maxlen=_KEPT_RECORDS)
        self._newest_faults: deque[Fault] = deque(maxlen=_KEPT_FAULTS)
        self._faults: Counter[str] = Counter()
        self._missing = self._sent = 0
        self._newest_sent = ""
        self._sequence: int | None = None
        self.kept: list[tuple[int, bytes]] = []
        self.ended = False

    def start(self) -> None:
        """Begin to open and read the port; returns at once."""
        self._reader.start()

    def close(self) -> None:
        """Close the port."""
        self._closing = True  # a thread that waits for room in the queue must not wait for ever
        self._reader.close()

    def drain(self, *, most: int | None = None) -> int:
        """Take in what has arrived by now, `most` chunks of it at most; return how many.

        Raises:
            CaptureError: the capture can't be written any more.
        """
        waiting = len(self._queue)
        count = waiting if most is None else min(most, waiting)
        for _ in range(count):
            entry = self._queue.popleft()  # nobody else takes from it
            if isinstance(entry, _Chunk):
                self._hear(entry)
            elif isinstance(entry, _Sent):
                self._say(entry)
            else:
                self._note(entry)
        return count

    def snapshot(self) -> PortSnapshot:
        """Return what there is to show now."""
        first = self._first if self._first is not None else self._last
        span = max(1e-9, min(_RATE_NS, self._last - first) / 1e9)
        # The first chunk's bytes came before the time that is measured by it.
        counted = [entry for entry in self._window if entry[0] > first] or [(0, 0, 0)]
        return PortSnapshot(
            state=self._state,
            detail=self._detail,
            seconds=(self._last - first) / 1e9,
            bytes=self._bytes,
            chunks=self._chunks,
            sent=self._sent,
            newest_sent=self._newest_sent,
            latencies=tuple(self._latencies),
            records=self._records,
            ignored=self._ignored,
            missing=self._missing,
            byte_rate=sum(entry[1] for entry in counted) / span,
            record_rate=sum(entry[2] for entry in counted) / span,
            faults=dict(self._faults),
            newest_chunks=tuple(self._newest_chunks),
            newest_records=tuple(self._newest_records),
            newest_faults=tuple(self._newest_faults),
            decoded=self._decoder is not None,
        )

    def _hear(self, chunk: _Chunk) -> None:
        if self._capture is not None:
            self._capture.chunk(chunk.time, chunk.data)
        if self._first is None:
            self._first = chunk.time
        gap = (chunk.time - self._last) / 1e9 if self._chunks else None
        self._last = chunk.time
        if self._asked_at is not None:
            self._latencies.append(chunk.time - self._asked_at)
            self._asked_at = None
        self._chunks += 1
        at = (chunk.time - self._first) / 1e9
        self._newest_chunks.append(ReceivedChunk(self._chunks, self._bytes, at, gap, chunk.data))
        self._bytes += len(chunk.data)
        if self._keep > 0:
            self.kept.append((chunk.time, chunk.data))
            self._keep -= len(chunk.data)
        records = 0
        if self._decoder is not None:
            records = self._decoded(self._decoder.feed(chunk.data, chunk.time), self._decoder)
        self._window.append((chunk.time, len(chunk.data), records))
        while self._window and self._window[0][0] <= chunk.time - _RATE_NS:
            self._window.popleft()

    def _say(self, sent: _Sent) -> None:
        is_command = self._schedule is None or sent.data in self._schedule.commands
        self._asked_at = None if is_command or sent.unanswered else sent.time
        if not sent.unanswered:
            if isinstance(self._decoder, ToldDecoder):
                self._decoder.asked(sent.data, self._bytes)
            only = self._schedule is not None and self._schedule.only_answers
            if only and not is_command and isinstance(self._decoder, CuttingDecoder):
                self._decoded(self._decoder.cut(), self._decoder)
            self._sent += 1
            self._newest_sent = quoted(sent.data)
            return
        detail = f"no answer in time to {quoted(sent.data)}"
        self._faults[str(FaultReason.UNANSWERED)] += 1
        self._newest_faults.append(Fault(self._bytes, 0, FaultReason.UNANSWERED, b"", detail))

    def _decoded(self, batch: Batch, decoder: Decoder) -> int:
        count = int(np.count_nonzero(begins_record(batch.readings)))
        count += 0 if decoder.combined else batch.positions.size
        self._ignored += batch.n_ignored
        self._newest_faults += batch.faults
        for reason, number in batch.n_faults.items():
            self._faults[str(reason)] += number
        numbered = batch.readings if decoder.gives_readings else batch.positions
        if self._schedule is None or not self._schedule.only_answers:
            # The number of a polled device goes on between two answers: none is missing.
            if batch.n_missing is None:
                self._count_missing(numbered["sequence"], decoder.sequence_wrap)
            else:
                self._missing += batch.n_missing
        first = self._first or 0
        self._records += count
        for behind, began, fields in newest_records(batch, decoder, _KEPT_RECORDS):
            time = (began - first) / 1e9
            self._newest_records.append(ReceivedRecord(self._records - behind, time, fields))
        return count

    def _count_missing(self, numbers: NDArray[np.int64], wrap: int | None) -> None:
        """Count the running numbers that were left out; a device that restarted lost none."""
        sent = [number for number in numbers.tolist() if number != ABSENT_SEQUENCE]
        for number in sent:
            if self._sequence is not None:
                step = number - self._sequence
                step = (step + wrap // 2) % wrap - wrap // 2 if wrap else step
                self._missing += max(0, step - 1)
            self._sequence = number

    def _note(self, change: _Change) -> None:
        if self._capture is not None:
            self._capture.state(change.time, str(change.state), change.detail)
        self._state, self._detail = str(change.state), change.detail
        if change.state == PortState.CLOSED:
            self.ended = True
        if self._decoder is not None and change.state in (PortState.LOST, PortState.CLOSED):
            self._decoded(self._decoder.reset(self._bytes), self._decoder)

    def _take_chunk(self, _name: str, time: int, data: bytes) -> None:
        self._put(_Chunk(time, data))

    def _take_state(self, _name: str, time: int, state: PortState, detail: str) -> None:
        self._put(_Change(time, state, detail))

    def _take_sent(self, _name: str, time: int, data: bytes, unanswered: bool) -> None:
        self._put(_Sent(time, data, unanswered))

    def _full(self) -> bool:
        return len(self._queue) >= _QUEUE_LENGTH or self._put_bytes - self._bytes >= _MOST_BYTES

    def _put(self, entry: _Chunk | _Change | _Sent) -> None:
        while not self._closing and self._full():
            sleep(0.01)
        if self._closing:
            return
        self._put_bytes += len(entry.data) if isinstance(entry, _Chunk) else 0
        self._queue.append(entry)


def latency_text(latencies: Sequence[int]) -> str:
    """Return the shortest, the median and the longest of latencies in ns, at least one."""
    low, middle, high = np.percentile(latencies, (0, 50, 100)) / 1e6
    return f"{low:.1f} to {high:.1f} ms (median {middle:.1f})"


def quoted(data: bytes) -> str:
    """Return bytes as they are best read: as a text in quotes, or as hex where they are none."""
    binary = sum(byte >= 0x7F or (byte < 0x20 and byte not in _TEXT_CONTROLS) for byte in data)
    return data.hex(" ") if binary > 0.1 * len(data) else repr(data)[1:]
