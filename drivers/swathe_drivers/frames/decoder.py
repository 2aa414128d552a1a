"""Bytes of binary frames to batches; no input or output.

In the order of the checks, and so of what a frame with several faults is counted as: framing,
checksum, constants, length, then each field in turn, then the limits of the values in turn.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.faulty import Faulty
from swathe_drivers.frames import values as v
from swathe_drivers.frames.checker import Checker, rows_of
from swathe_drivers.frames.fields import (
    Amplitude,
    Constant,
    Counts,
    DeviceTime,
    IndexMark,
    Position,
    RunningNumber,
    ScaledField,
    Skip,
    Status,
    Waveform,
    dtype_of,
    name_of,
    size_of,
)
from swathe_drivers.frames.framer import Frames
from swathe_drivers.frames.making import make_framer
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.records import (
    ABSENT_SEQUENCE,
    ABSENT_TIME,
    MAX_EXCERPT,
    MAX_FAULTS,
    READING,
    Batch,
    Fault,
    FaultReason,
    no_positions,
    no_readings,
    position_dtype,
)

Bad = dict[int, tuple[FaultReason | None, str]]
"""Frames that are no record, by their number; the reason is None for one to ignore."""


class FramesDecoder:
    """Decodes binary frames; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: FramesSettings, *, ns_per_byte: int = 0) -> None:
        self._settings = settings
        self._checker = (
            Checker(settings.checksum, settings.byte_order)
            if settings.checksum is not None
            else None
        )
        self._framer, self._is_checked = make_framer(settings, self._checker, ns_per_byte)
        self._tail = self._checker.size if self._checker is not None else 0
        self._width = settings.least - self._tail
        self.waveform: Final = v.waveform_format(settings)
        if self.waveform is not None and settings.size is not None:
            self._width = settings.size - self._tail
        self._columns = _columns(settings)
        self._constants = [
            (column, column.field) for column in self._columns if isinstance(column.field, Constant)
        ]
        self._values = [column for column in self._columns if isinstance(column, v.ValueColumn)]
        fields = settings.fields
        on_axes = [field for field in fields if isinstance(field, Counts | Position)]
        kinds = {field.kind for field in fields}
        self.axes: Final = tuple(field.axis for field in on_axes)
        self.count_bits: Final = {
            field.axis: v.count_bits(field) if isinstance(field, Counts) else None
            for field in on_axes
        }
        self.length_axes: Final = frozenset(
            field.axis for field in on_axes if isinstance(field, Position)
        )
        self.gives: Final = frozenset(
            kinds & {"time_of_flight", "thickness", "amplitude", "waveform"}
        )
        self.gives_readings: Final = bool(kinds & {"time_of_flight", "thickness", "waveform"})
        self.gives_positions: Final = bool(self.axes)
        self.combined: Final = self.gives_readings and self.gives_positions
        clock = next((field for field in fields if isinstance(field, DeviceTime)), None)
        self.has_clock: Final = clock is not None
        self.clock_wrap_ns: Final = v.clock_wrap(clock) if clock is not None else None
        number = next((field for field in fields if isinstance(field, RunningNumber)), None)
        self.sequence_wrap: Final = v.sequence_wrap(number) if number is not None else None
        self._empty = self._batch()

    @property
    def pending(self) -> int:
        """Bytes of a frame that has only begun, or of a fault that is not yet over."""
        return self._framer.pending

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk, which arrived at `time_ns`; raises nothing."""
        return self.feed_chunks([(time_ns, data)])

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        return self.decode(self._framer.feed_chunks(chunks))

    def reset(self, offset: int) -> Batch:
        """Drop what is pending, the frame that has begun as `partial`; go on at byte `offset`."""
        return self.decode(self._framer.reset(offset))

    def _batch(self, **parts: Any) -> Batch:  # noqa: ANN401  the fields of a batch
        parts.setdefault("readings", no_readings())
        parts.setdefault("positions", no_positions(len(self.axes)))
        if self.waveform is not None:
            empty = np.empty((0, self.waveform.samples), self.waveform.dtype)
            parts.setdefault("waveforms", empty)
        return Batch(combined=self.combined, **parts)

    def decode(self, frames: Frames | None) -> Batch:
        """What the frames hold that a framer found; its own, or one that knows a protocol more."""
        if frames is None:
            return self._empty
        bad: Bad = {row: (FaultReason.FRAME, text) for row, text in frames.contents.bad.items()}
        rows, content = self._sort(frames, bad)
        columns: dict[str, NDArray[Any]] = {}
        if rows.size:
            faulty = Faulty()
            columns = self._read(content, faulty)
            if faulty.by_row:
                keep = np.ones(rows.size, np.bool_)
                keep[list(faulty.by_row)] = False
                bad.update((int(rows[row]), fault) for row, fault in faulty.by_row.items())
                rows = rows[keep]
                columns = {name: column[keep] for name, column in columns.items()}
        return self._finish(frames, bad, rows, columns)

    def _sort(self, frames: Frames, bad: Bad) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Numbers of the frames of our kind and of the right length, and their bytes."""
        found = frames.contents
        rows = np.arange(found.starts.size)
        if bad:
            rows = np.delete(rows, list(bad))
        checker = self._checker
        if checker is not None and not self._is_checked and rows.size:
            result = checker.check_each(found.block, found.starts[rows], found.lengths[rows])
            if not (good := result.good).all():
                for place in np.flatnonzero(~good).tolist():
                    row = int(rows[place])
                    text = (
                        checker.told(result, place)
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
        if self._settings.size is None:
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
        least = "" if self._settings.size is not None else "at least "
        text = f"{found} bytes before the checksum" if self._tail else f"{found} bytes"
        return FaultReason.LENGTH, f"{text} where there should be {least}{self._width}"

    def _unknown(self, column: v.Column, raw: np.generic) -> tuple[FaultReason | None, str]:
        if self._settings.other_frames == "ignore":
            return (None, "")
        wanted = getattr(column.field, "value", None)
        return (FaultReason.UNKNOWN_FRAME, f"{column.name}: {raw.item()} is not {wanted}")

    def _read(self, content: NDArray[np.uint8], faulty: Faulty) -> dict[str, NDArray[Any]]:
        """The fields as arrays by name; an axis is `axis NAME`."""
        out: dict[str, NDArray[Any]] = {}
        found: dict[str, tuple[NDArray[np.float64], NDArray[np.bool_] | None]] = {}
        valid: NDArray[np.bool_] | None = None  # None: all of them
        for column in self._columns:
            field = column.field
            if isinstance(field, Constant):
                continue
            if isinstance(field, Waveform):
                assert self.waveform is not None  # noqa: S101  for the type checker
                out["waveform"] = column.samples(content, self.waveform)
                continue
            raw = column.raw(content)
            if isinstance(column, v.ValueColumn):
                found[column.name] = column.read(raw, faulty)
            elif isinstance(field, DeviceTime):
                out["device_time"] = v.read_times(column, field, raw, faulty)
            elif isinstance(field, RunningNumber):
                out["sequence"] = v.read_sequence(column, field, raw, faulty)
            elif isinstance(field, Counts):
                out[f"axis {field.axis}"] = v.read_counts(column, field, raw, faulty)
            elif isinstance(field, Status):
                valid = v.read_status(column, field, raw, faulty)
            elif isinstance(field, IndexMark):
                out[f"mark {field.axis}"] = v.read_mark(field, raw)
        for column in self._values:
            missing = found[column.name][1]
            if missing is not None and not isinstance(column.field, Amplitude):
                valid = ~missing if valid is None else valid & ~missing
        for column in self._values:
            sent, missing = found[column.name]
            if isinstance(column.field, Position):
                column.check(sent, None, faulty)
                out[f"axis {column.field.axis}"] = column.result(sent, None)
                continue
            wanted = valid
            if missing is not None and isinstance(column.field, Amplitude):
                wanted = ~missing if valid is None else valid & ~missing
            column.check(sent, wanted, faulty)
            gone = missing
            if not isinstance(column.field, Amplitude) and valid is not None:
                gone = ~valid
            out[column.value.kind] = column.result(sent, gone)
        if valid is not None:
            out["valid"] = valid
        return out

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
        every = rows.size == frames.offsets.size
        if size := rows.size:
            common: dict[str, Any] = {
                "time": frames.times if every else frames.times[rows],
                "offset": frames.offsets if every else frames.offsets[rows],
                "device_time": _column(columns, "device_time", size, ABSENT_TIME),
                "sequence": _column(columns, "sequence", size, ABSENT_SEQUENCE),
            }
            if self.gives_readings:
                readings = np.empty(size, READING)
                for name, column in common.items():
                    readings[name] = column
                for name in ("time_of_flight", "thickness", "amplitude"):
                    readings[name] = _column(columns, name, size, np.nan)
                readings["valid"] = columns.get("valid", True)
                parts["readings"] = readings
                if self.waveform is not None:
                    parts["waveforms"] = columns["waveform"]
            if self.gives_positions:
                positions = np.empty(size, position_dtype(len(self.axes)))
                for name, column in common.items():
                    positions[name] = column
                for number, axis in enumerate(self.axes):
                    positions["counts"][:, number] = columns[f"axis {axis}"]
                    positions["mark"][:, number] = columns.get(f"mark {axis}", False)
                parts["positions"] = positions
        return self._batch(
            faults=tuple(sorted(faults, key=lambda fault: fault.offset)[:MAX_FAULTS]),
            n_faults=dict(counts),
            n_ignored=n_ignored,
            record_bytes=int((frames.sizes if every else frames.sizes[rows]).sum()),
            fault_bytes=fault_bytes,
            ignored_bytes=ignored_bytes,
            **parts,
        )


def _column(columns: dict[str, NDArray[Any]], name: str, size: int, absent: float) -> NDArray[Any]:
    """A column, filled with `absent` if the device does not send it."""
    # An array is copied into a record array several times as fast as one number.
    return columns[name] if name in columns else np.full(size, absent)


def _columns(settings: FramesSettings) -> list[v.Column]:
    """The fields that are read, and where they lie."""
    out: list[v.Column] = []
    at, before = len(settings.sync), 0
    for index, field in enumerate(settings.fields):
        shares = isinstance(field, Status | IndexMark) and field.shares
        place = before if shares else at
        if not isinstance(field, Skip) and field.kind != "length":
            kind = v.ValueColumn if isinstance(field, ScaledField) else v.Column
            dtype = dtype_of(field, settings.byte_order)
            out.append(kind(field, name_of(field, index), place, dtype))
        if not shares:
            before = at
            at += size_of(field) or 0
    return out
