"""Answers of a Modbus device to batches; no input or output."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import Abilities
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.frames import FramesDecoder
from swathe_drivers.frames.checker import rows_of
from swathe_drivers.frames.framer import Contents, Frames
from swathe_drivers.frames.values import waveform_format
from swathe_drivers.kinds import ChannelJoiner, KindRows
from swathe_drivers.modbus.framer import Candidate, RtuFramer, TcpFramer, answer_of_other_unit
from swathe_drivers.modbus.settings import Gates, ModbusSettings, Read, frames_of, slices_of
from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS, Batch, Fault, FaultReason

EXCEPTIONS: Final = {
    1: (FaultReason.ILLEGAL_FUNCTION, "the device has no such function"),
    2: (FaultReason.ILLEGAL_ADDRESS, "the device has no such registers"),
    3: (FaultReason.ILLEGAL_VALUE, "the device does not take so many registers"),
    4: (FaultReason.DEVICE_FAILURE, "the device failed"),
    6: (FaultReason.DEVICE_BUSY, "the device is busy"),
    10: (FaultReason.NO_PATH, "the gateway has no way to the device"),
    11: (FaultReason.NO_TARGET, "the device does not answer the gateway"),
}
"""By the code (MODBUS Application Protocol Specification V1.1b3, 7)."""


class _ReadDecoder:
    """Decodes the answers to one read."""

    def __init__(self, read: Read, *, low_first: bool, gates: Gates, among_others: bool) -> None:
        settings = frames_of(read, gates, among_others=among_others)
        self.abilities = Abilities.of(settings.in_order, waveform_format(settings))
        self.decoder = FramesDecoder(settings)
        self.decoder.is_among_others = True
        self._width = settings.min_size
        self._order: NDArray[np.int64] | None = None
        if low_first:
            order = np.arange(self._width)
            for at, size in slices_of(read):
                order[at : at + size] = order[at : at + size].reshape(-1, 2)[::-1].ravel()
            self._order = order

    def decode(self, frames: Frames, rows: NDArray[np.int64], at: int) -> Batch:
        """What the frames `rows` hold, whose data begin `at` bytes behind their first."""
        found = frames.contents
        content = rows_of(found.block, found.starts[rows] + at, self._width)
        if self._order is not None:
            content = content[:, self._order]
        size = rows.size
        own = Frames(
            contents=Contents(
                block=np.ascontiguousarray(content).ravel(),
                starts=np.arange(size, dtype=np.int64) * self._width,
                lengths=np.full(size, self._width, np.int64),
                stride=self._width if size > 1 else None,
            ),
            offsets=frames.offsets[rows],
            sizes=frames.sizes[rows],
            times=frames.times[rows],
            known=frames.known[rows],
            faults=(),
            counts=Counter(),
            fault_bytes=0,
            ignored_bytes=0,
        )
        batch = self.decoder.decode(own)
        if not batch.faults:
            return batch
        # Quoted as they came, not in the order in which the numbers were read.
        begins = dict(zip(own.offsets.tolist(), found.starts[rows].tolist(), strict=True))
        faults = []
        for fault in batch.faults:
            begin = begins[fault.offset]
            excerpt = bytes(found.block[begin : begin + min(fault.length, MAX_EXCERPT)])
            faults.append(replace(fault, excerpt=excerpt))
        return replace(batch, faults=tuple(faults))


class ModbusDecoder(RecordDecoder):
    """Decodes answers to reads of registers; see `swathe_drivers.abc.Decoder`.

    Attributes:
        exceptions: how many of each code the device answered with.
    """

    def __init__(self, settings: ModbusSettings, *, ns_per_byte: int = 0) -> None:
        self._keys = keys = [settings.key_of(read) for read in settings.reads]
        framer = RtuFramer if settings.framing == "rtu" else TcpFramer
        self._framer = framer(keys, ns_per_byte=ns_per_byte)
        low_first = settings.word_order == "low_first"
        self._differ = settings.framing == "tcp"
        self._reads = [
            _ReadDecoder(
                read,
                low_first=low_first,
                gates=settings.gates,
                among_others=len(settings.reads) > 1,
            )
            for read in settings.reads
        ]
        self.exceptions: Final[Counter[int]] = Counter()
        abilities = [read.abilities for read in self._reads]
        positions = next((one for one in abilities if one.gives_positions), abilities[0])
        readings = next((one for one in abilities if one.gives_readings), abilities[0])
        main = readings if readings.gives_readings else positions
        channels = {channel.name: channel for one in abilities for channel in one.channels}
        super().__init__(
            replace(
                main,
                axes=positions.axes,
                count_periods=positions.count_periods,
                length_axes=positions.length_axes,
                gives_positions=positions.gives_positions,
                gives=readings.gives,
                waveform=readings.waveform,
                gives_readings=readings.gives_readings,
                combined=positions is readings and readings.combined,
                channels=tuple(channels.values()) if readings.gives_readings else (),
            )
        )
        self._channels = ChannelJoiner(
            [channel.name for channel in self.channels], [one.gives_readings for one in abilities]
        )

    @property
    def numbers_differ(self) -> bool:
        """Over TCP each request has a transaction of its own; an RTU answer shows its read only."""
        return self._differ

    def number_of(self, request: bytes) -> int:
        """Return the number that records carry which answer `request`."""
        return self._framer.number_of(request)

    @property
    def pending(self) -> int:
        """Bytes of an answer that has only begun, or of a fault that is not yet over."""
        return self._framer.pending

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        return self._decode(self._framer.feed_chunks(chunks), self._framer.answers)

    def reset(self, offset: int) -> Batch:
        """Drop what is pending, the answer that has begun as `partial`; continue at byte `offset`."""
        batch = self._decode(self._framer.reset(offset), [])
        self._channels.forget()
        return batch

    def cut(self) -> Batch:
        """Drop the answer that has only begun; see `swathe_drivers.abc.CuttingDecoder`.

        Over TCP it may still be coming when the next request is sent, and it names its own.
        """
        if self._differ:
            return self._empty
        return self._decode(self._framer.cut(), [])

    def _decode(self, frames: Frames | None, answers: Sequence[Candidate]) -> Batch:
        if frames is None:
            return self._empty
        kinds = np.array([answer.read for answer in answers], np.int64)
        parts: list[Batch] = []
        held: list[tuple[int, KindRows]] = []
        for index, read in enumerate(self._reads):
            rows = np.flatnonzero(kinds == index)
            if rows.size:
                part = read.decode(frames, rows, answers[int(rows[0])].data)
                numbers = np.array([answers[row].request for row in rows.tolist()], np.int64)
                parts.append(_numbered(part, frames.offsets[rows], numbers))
                if (found := read.decoder.take_rows()) is not None:
                    held.append((index, found))
        faults = [self._explained(fault) for fault in frames.faults]
        counts = Counter(frames.counts)
        fault_bytes = frames.fault_bytes
        for row in np.flatnonzero(kinds < 0).tolist():
            code = -1 - int(kinds[row])
            self.exceptions[code] += 1
            reason, words = EXCEPTIONS.get(code, (FaultReason.OTHER_EXCEPTION, "no word for it"))
            begin, size = int(frames.contents.starts[row]), int(frames.sizes[row])
            excerpt = bytes(frames.contents.block[begin : begin + size])
            detail = f"the answer is exception {code}: {words}"
            faults.append(Fault(int(frames.offsets[row]), size, reason, excerpt, detail))
            counts[reason] += 1
            fault_bytes += size
        batch = self._joined(parts, faults, counts, fault_bytes, frames.ignored_bytes)
        if not self.channels:
            return batch
        channels = self._channels.filled(batch.readings["offset"], held)
        return replace(batch, channels=channels)

    def _explained(self, fault: Fault) -> Fault:
        """Return the fault of bytes between answers, which may be the answer of another unit."""
        other = None
        if fault.reason is FaultReason.FRAME and not self._differ:
            other = answer_of_other_unit(fault.excerpt, self._keys)
        if other is None:
            return fault
        answered, asked = other
        detail = f"answered as unit {answered}, asked for unit {asked}: set 'unit' to {answered}"
        return replace(fault, detail=detail)

    def _joined(
        self,
        parts: Sequence[Batch],
        faults: Sequence[Fault],
        counts: Counter[FaultReason],
        fault_bytes: int,
        ignored_bytes: int,
    ) -> Batch:
        """Join what the reads gave: at most one gives readings, at most one positions."""
        faults, total = list(faults), Counter(counts)
        batch = self._batch()
        for part in parts:
            faults += part.faults
            total.update(part.n_faults)
            if part.readings.size:
                batch = replace(
                    batch,
                    readings=part.readings,
                    readings_known_at=part.readings_known_at,
                    readings_request=part.readings_request,
                    waveforms=part.waveforms,
                )
            if part.positions.size:
                batch = replace(
                    batch,
                    positions=part.positions,
                    positions_known_at=part.positions_known_at,
                    positions_request=part.positions_request,
                )
        return replace(
            batch,
            faults=tuple(sorted(faults, key=lambda fault: fault.offset)[-MAX_FAULTS:]),
            n_faults=dict(total),
            record_bytes=sum(part.record_bytes for part in parts),
            fault_bytes=fault_bytes + sum(part.fault_bytes for part in parts),
            ignored_bytes=ignored_bytes + sum(part.ignored_bytes for part in parts),
            n_ignored=sum(part.n_ignored for part in parts),
        )


def _numbered(batch: Batch, offsets: NDArray[np.int64], numbers: NDArray[np.int64]) -> Batch:
    """Return a batch with the numbers of its requests, from those of the frames at `offsets`."""
    return replace(
        batch,
        readings_request=numbers[np.searchsorted(offsets, batch.readings["offset"])],
        positions_request=numbers[np.searchsorted(offsets, batch.positions["offset"])],
    )
