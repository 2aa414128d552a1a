"""Bytes of binary frames to batches; no input or output.

In the order of the checks, and so of what a frame with several faults is counted as: framing,
checksum, constants, length, then each field in turn, then the limits of the values in turn.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.frames import values as v
from swathe_drivers.frames.checker import Checker, rows_of
from swathe_drivers.frames.fields import (
    ConstantField,
    CountsField,
    DeviceTimeField,
    IndexMarkField,
    IntervalField,
    NumberField,
    ProbeField,
    RunningNumberField,
    Skip,
    StatusField,
    Waveform,
    name_of,
    size_of,
)
from swathe_drivers.frames.framer import Frames
from swathe_drivers.frames.making import make_framer
from swathe_drivers.frames.repeats import Repeater
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.record_values import Bad, ColumnFaults, Faulty, convert
from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS, Batch, Fault, FaultReason


class FramesDecoder(RecordDecoder):
    """Decodes binary frames; see `swathe_drivers.abc.Decoder`.

    Attributes:
        is_checked: whether the framer has checked the checksum of the frames that it finds.
    """

    def __init__(self, settings: FramesSettings, *, ns_per_byte: int = 0) -> None:
        super().__init__(settings.abilities(v.waveform_format(settings)))
        # Where a silence ends a frame, that it has ended is known with the next byte only.
        self.gives_each = settings.repeat is None and settings.framing.kind != "idle_gap"
        self._settings = settings
        self._checker = (
            Checker(settings.checksum, settings.byte_order, settings.end)
            if settings.checksum is not None
            else None
        )
        self._framer, self.is_checked = make_framer(settings, self._checker, ns_per_byte)
        self._tail = self._checker.size if self._checker is not None else 0
        self._width = settings.min_size - self._tail
        if settings.covers_stop:
            self._tail += 1  # the stop byte, which the checksum covers
        self._varies = settings.size is None
        if self.waveform is not None and settings.size is not None:
            self._width = settings.size - (0 if self._checker is None else self._checker.size)
        self._readers = _readers(settings)
        self._repeater: Repeater | None = None
        if settings.repeat is not None:
            self._varies = True
            own = settings.in_order[: len(settings.fields)]
            head = len(settings.sync) + sum(size_of(field) or 0 for field in own)
            self._repeater = Repeater(settings.repeat, own, head=head, wrap_ns=self.clock_wrap_ns)
        self._constants = [
            (reader, reader.field)
            for reader in self._readers
            if isinstance(reader.field, ConstantField)
        ]

    @property
    def has_constants(self) -> bool:
        """Whether something in a frame shows that it is of this kind."""
        return bool(self._constants)

    @property
    def pending(self) -> int:
        """Bytes of a frame that has only begun, or of a fault that is not yet over."""
        return self._framer.pending

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        return self.decode(self._framer.feed_chunks(chunks))

    def reset(self, offset: int) -> Batch:
        """Drop what is pending, the frame that has begun as `partial`; continue at byte `offset`."""
        return self.decode(self._framer.reset(offset))

    def cut(self) -> Batch:
        """Drop the frame that has only begun; see `swathe_drivers.abc.CuttingDecoder`."""
        return self.decode(self._framer.cut())

    def decode(self, frames: Frames | None) -> Batch:
        """What the frames hold that a framer found; its own, or one that knows a protocol more."""
        if frames is None:
            return self._empty
        bad: Bad = {}
        rows, content = self.choose(frames, bad)
        return self.decode_rows(frames, rows, content, bad)

    def choose(self, frames: Frames, bad: Bad) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Return numbers of the frames that have these fields, and their bytes.

        Notes in `bad` what is wrong with the others: the reason is None for those of another kind,
        where they are ignored, and `length` for those of another length.
        """
        bad.update((row, (FaultReason.FRAME, text)) for row, text in frames.contents.bad.items())
        return self._sort(frames, bad)

    def decode_rows(
        self, frames: Frames, rows: NDArray[np.int64], content: NDArray[np.uint8], bad: Bad
    ) -> Batch:
        """Return what frames hold, of which `rows` have `content`, and the others are `bad`."""
        columns: dict[str, NDArray[Any]] = {}
        samples = None
        if self._repeater is not None and rows.size:
            samples = self._repeater.samples(frames, rows, self._tail, bad)
            rows, content = samples.rows, samples.content
        if rows.size:
            faulty = Faulty()
            columns = self._read(content, faulty, None if samples is None else samples.places)
            if samples is not None and self._repeater is not None:
                self._repeater.spread(samples, columns, faulty)
                columns["place"] = samples.places
                # A frame is good or a fault as a whole: its bytes are counted once.
                faulty.spread(rows)
            rows, columns = faulty.split(rows, columns, bad)
        return self._finish(frames, bad, rows, columns)

    def _sort(self, frames: Frames, bad: Bad) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Numbers of the frames of our kind and of the right length, and their bytes."""
        found = frames.contents
        rows = np.arange(found.starts.size)
        if bad:
            rows = np.delete(rows, list(bad))
        checker = self._checker
        if checker is not None and not self.is_checked and rows.size:
            result = checker.check_each(found.block, found.starts[rows], found.lengths[rows])
            if not (good := result.good).all():
                for place in np.flatnonzero(~good).tolist():
                    row = int(rows[place])
                    text = (
                        checker.describe(result, place)
                        if found.lengths[row] >= checker.size
                        else f"{int(found.lengths[row])} bytes hold no checksum"
                    )
                    bad[row] = (FaultReason.CHECKSUM, text)
                rows = rows[good]
        contents = found.lengths - self._tail
        enough = contents >= self._width
        if not enough.all():
            for row in rows[~enough[rows]].tolist():
                start = int(found.starts[row])
                self._judge_short(found.block[start : start + int(contents[row])], row, bad)
            rows = rows[enough[rows]]
        stride = found.stride if rows.size == found.starts.size else None
        if not rows.size:
            return rows, np.empty((0, self._width), np.uint8)
        content = rows_of(found.block, found.starts[rows], self._width, stride)
        for column, constant in self._constants:
            raw = column.raw(content)
            other = v.differs(constant, raw)
            if other.any():
                for place in np.flatnonzero(other).tolist():
                    bad[int(rows[place])] = self._unknown(column, raw[place])
                rows, content = rows[~other], content[~other]
        if self._varies:
            return rows, content
        longer = contents[rows] != self._width
        if longer.any():
            for row in rows[longer].tolist():
                bad[row] = self._length(int(contents[row]))
            rows, content = rows[~longer], content[~longer]
        return rows, content

    def _judge_short(self, content: NDArray[np.uint8], row: int, bad: Bad) -> None:
        """Why a frame is too short for the fields: perhaps it's of another kind."""
        for column, constant in self._constants:
            if column.at + column.dtype.itemsize <= content.size:
                raw = column.raw(content[np.newaxis])
                if v.differs(constant, raw)[0]:
                    bad[row] = self._unknown(column, raw[0])
                    return
        bad[row] = self._length(content.size)

    def _length(self, found: int) -> tuple[FaultReason, str]:
        bound = "at least " if self._varies else ""
        text = f"{found} bytes before the checksum" if self._tail else f"{found} bytes"
        return FaultReason.LENGTH, f"{text} where there should be {bound}{self._width}"

    def _unknown(self, column: v.FieldReader, raw: np.generic) -> tuple[FaultReason | None, str]:
        if self._settings.other_frames == "ignore":
            return (None, "")
        wanted = getattr(column.field, "value", None)
        return (FaultReason.UNKNOWN_FRAME, f"{column.name}: {raw.item()} is not {wanted}")

    def _read(
        self,
        content: NDArray[np.uint8],
        faulty: Faulty,
        places: NDArray[np.int64] | None = None,
    ) -> dict[str, NDArray[Any]]:
        """The fields as arrays by name; an axis is `axis NAME`."""
        out: dict[str, NDArray[Any]] = {}
        found = ColumnFaults()
        waveforms: list[NDArray[Any]] = []
        for reader in self._readers:
            field = reader.field
            if isinstance(field, ConstantField):
                continue
            if isinstance(field, Waveform):
                assert self.waveform is not None  # noqa: S101  for the type checker
                waveforms.append(reader.samples(content, self.waveform))
                continue
            own = found.of_column()
            if isinstance(reader, v.NumberReader):
                found.are_of(reader.read(content, own))
                continue
            raw = reader.packed(content, own)
            if isinstance(field, DeviceTimeField):
                out["device_time"] = v.read_time_fields(reader, field, raw, own)
            elif isinstance(field, IntervalField):
                out["interval"] = v.read_interval(reader, field, raw, own)
            elif isinstance(field, RunningNumberField):
                out["sequence"] = v.read_sequence(reader, field, raw, own)
            elif isinstance(field, ProbeField):
                out["probe"] = v.read_inputs(reader, field, raw, own)
            elif isinstance(field, CountsField):
                out[f"axis {field.axis}"] = v.read_counts(reader, field, raw, own)
            elif isinstance(field, StatusField):
                found.are_of_status(field, v.read_status(reader, field, raw, own, places))
            elif isinstance(field, IndexMarkField):
                out[f"mark {field.axis}"] = v.read_mark(field, raw)
        if waveforms:
            out["waveform"] = waveforms[0] if len(waveforms) == 1 else np.stack(waveforms, axis=1)
        inputs = self._inputs.side_by_side
        return out | convert(found.settle(faulty), found.statuses, faulty, inputs)

    def _finish(
        self,
        frames: Frames,
        bad: Bad,
        rows: NDArray[np.int64],
        columns: dict[str, NDArray[Any]],
    ) -> Batch:
        """Put the batch together."""
        counts = Counter(frames.counts)
        faults = list(frames.faults)
        fault_bytes, ignored_bytes, n_ignored = frames.fault_bytes, frames.ignored_bytes, 0
        data = frames.contents
        for row, (reason, detail) in sorted(bad.items()):
            size = int(frames.sizes[row])
            if reason is None:
                ignored_bytes += size
                n_ignored += 1
                continue
            fault_bytes += size
            counts[reason] += 1
            start = int(data.starts[row])
            excerpt = bytes(data.block[start : start + min(int(data.lengths[row]), MAX_EXCERPT)])
            faults.append(Fault(int(frames.offsets[row]), size, reason, excerpt, detail))
        parts: dict[str, Any] = {}
        place = columns.pop("place", None)
        of_inputs = self._repeater is not None and self._repeater.of_inputs
        every = rows.size == frames.offsets.size and place is None
        if rows.size:
            offsets = frames.offsets if every else frames.offsets[rows]
            sizes = frames.sizes if every else frames.sizes[rows]
            if (
                place is not None and not of_inputs
            ):  # each sample is a record of its own, up to the frame's end
                offsets, sizes = offsets + place, sizes - place
            parts = dict(
                self._records(
                    frames.times if every else frames.times[rows],
                    frames.known if every else frames.known[rows],
                    offsets,
                    sizes,
                    columns,
                )
            )
            if place is not None:
                rows = rows[place == 0]
            if of_inputs and self.gives_positions:  # one next to all the readings of a frame
                for name in ("positions", "positions_known_at"):
                    parts[name] = parts[name][place == 0]
        return self._batch(
            faults=tuple(sorted(faults, key=lambda fault: fault.offset)[-MAX_FAULTS:]),
            n_faults=dict(counts),
            n_ignored=n_ignored,
            record_bytes=int((frames.sizes if every else frames.sizes[rows]).sum()),
            fault_bytes=fault_bytes,
            ignored_bytes=ignored_bytes,
            **parts,
        )


def _readers(settings: FramesSettings) -> list[v.FieldReader]:
    """The fields that are read, and where they are."""
    out: list[v.FieldReader] = []
    at, before = len(settings.sync), 0
    for index, field in enumerate(settings.in_order):
        shares = size_of(field) == 0
        place = before if shares else at
        if not isinstance(field, Skip) and field.kind != "length":
            kind = v.NumberReader if isinstance(field, NumberField) else v.FieldReader
            out.append(kind(field, name_of(field, index), place, settings.byte_order))
        if not shares:
            before = at
            at += size_of(field) or 0
    return out
