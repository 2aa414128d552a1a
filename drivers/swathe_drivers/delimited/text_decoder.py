"""Bytes of lines of text to batches; no input or output.

In the order of the checks, and so of what a line with several faults is counted as: length,
leading constant, checksum, number of columns, other constants, then each column from left to
right, then the limits of the values from left to right.
"""

from abc import abstractmethod
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import LimitedValue, Quadrature
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.delimited import values as v
from swathe_drivers.delimited.checksum import LineChecker
from swathe_drivers.delimited.columns import (
    AnyColumn,
    ConstantColumn,
    CountsColumn,
    DeviceTimeColumn,
    IndexMarkColumn,
    ProbeColumn,
    RunningNumberColumn,
    StatusColumn,
    texts_behind,
)
from swathe_drivers.delimited.fields import Fields
from swathe_drivers.delimited.flag_readers import MarkReader, StatusReader
from swathe_drivers.delimited.notation import BASES, Notation
from swathe_drivers.delimited.settings import TextLineSettings
from swathe_drivers.framing import LineFramer, Lines
from swathe_drivers.record_values import INT64_MAX, Bad, ColumnFaults, Faulty, convert
from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS, Batch, Fault, FaultReason

_COLUMNS: Final = FaultReason.COLUMNS
_SEVERED: Final = "behind a line in which a request was sent, of which it may be the rest"

LineBounds = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]
"""Numbers of lines, and where each begins and ends."""


class TextDecoder(RecordDecoder):
    """Decodes lines of text, however their columns are found; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: TextLineSettings, *, ns_per_byte: int = 0) -> None:
        self._columns = columns = settings.in_order
        super().__init__(settings.abilities)
        self.gives_each = True
        self._names = [settings.name_of(index) for index in range(len(columns))]
        self._settings = settings
        self._terminator = settings.terminator.encode("latin-1")
        self._checker = (
            None if settings.checksum is None else LineChecker(settings.checksum, self._terminator)
        )
        tail = 0 if self._checker is None else self._checker.tail
        self._end_width = len(self._terminator) + tail
        self._framer = make_line_framer(settings, tail, ns_per_byte)
        self._prefixes = [
            (index, before.encode("latin-1"))
            for index, column in enumerate(columns)
            if settings.is_one_of_several and (before := getattr(column, "before", ""))
        ]
        self._constants = [
            (index, column.text.encode("latin-1"))
            for index, column in enumerate(columns)
            if isinstance(column, ConstantColumn)
        ]
        self._numbers = [
            v.NumberColumnReader(index, self._names[index], _notation(column, settings.decimal))
            for index, column in enumerate(columns)
        ]
        self._readers = {
            index: v.ValueReader(column, self._numbers[index])
            for index, column in enumerate(columns)
            if isinstance(column, LimitedValue)
        }
        self._statuses = {
            index: StatusReader(column, self._numbers[index])
            for index, column in enumerate(columns)
            if isinstance(column, StatusColumn)
        }
        self._marks = {
            index: MarkReader(column, self._numbers[index])
            for index, column in enumerate(columns)
            if isinstance(column, IndexMarkColumn)
        }
        self._quadrature = {
            column.axis: v.QuadratureCounter()
            for column in columns
            if isinstance(column, Quadrature)
        }

    @property
    def pending(self) -> int:
        """Bytes of a line that has only begun."""
        return self._framer.pending

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        lines = self._framer.feed_chunks(chunks)
        if lines.starts.size == 0:
            if not (lines.dropped_bytes or lines.overlong or lines.empty_bytes):
                return self._empty
            return self._finish(lines, {}, None, None)
        lines, passed = pass_over(lines, self._settings, self._end_width)
        bad: Bad = {}
        rows, fields = self._split(lines, bad)
        batch = self.decode(lines, rows, fields, bad)
        return replace(batch, n_ignored=batch.n_ignored + passed) if passed else batch

    def reset(self, offset: int) -> Batch:
        """Drop the line that has only begun, as one `partial` fault; continue at byte `offset`."""
        return dropped_line(self._framer, offset, self._empty)

    def cut(self) -> Batch:
        """Cut off the line that has only begun; see `swathe_drivers.abc.CuttingDecoder`."""
        return cut_off_line(self._framer, self._empty)

    def choose(self, lines: Lines, bad: Bad) -> tuple[NDArray[np.int64], Fields]:
        """Return numbers and columns of the lines that are of this kind, among several.

        Notes in `bad` what is wrong with the others; those of another kind are to be ignored, or have
        another number of columns.
        """
        rows, fields = self._split(lines, bad)
        if not self._constants:  # nothing shows that a line of other columns is meant to be one
            bad.update((row, (None, "")) for row, fault in bad.items() if fault[0] is _COLUMNS)
        for column, text in self._prefixes:
            keep = fields.begin(column, text)
            bad.update((int(row), (None, "")) for row in rows[~keep].tolist())
            rows, fields = rows[keep], fields.only(keep)
        return rows, fields

    def decode(self, lines: Lines, rows: NDArray[np.int64], fields: Fields, bad: Bad) -> Batch:
        """Return what lines hold, of which `rows` have `fields`, and the others are `bad`."""
        faulty = Faulty()
        columns = self._read(fields, faulty)
        rows, columns = faulty.split(rows, columns, bad)
        return self._finish(lines, bad, rows, columns)

    def refuse(self, lines: Lines, bad: Bad) -> Batch:
        """Return the batch of lines of which all are `bad`."""
        return self._finish(lines, bad, None, None)

    @abstractmethod
    def _split(self, lines: Lines, bad: Bad) -> tuple[NDArray[np.int64], Fields]:
        """Numbers of the lines that have the right shape, and their columns.

        Notes in `bad` what is wrong with the others.
        """

    def _check_sums(self, lines: Lines, rows: NDArray[np.int64], bad: Bad) -> LineBounds:
        """The lines `rows` whose checksum is right, without it."""
        starts = lines.starts[rows]
        ends = starts + lines.lengths[rows]
        if self._checker is None or not rows.size:
            return rows, starts, ends
        sums = self._checker.check(lines.block, starts, ends)
        keep = sums.present & (sums.sent == sums.computed)
        ends = sums.ends
        if keep.all():
            return rows, starts, ends
        for index in np.flatnonzero(~keep).tolist():
            detail = self._checker.describe(sums, index)
            bad[int(rows[index])] = (FaultReason.CHECKSUM, detail)
        return rows[keep], starts[keep], ends[keep]

    def _check_constants(
        self, rows: NDArray[np.int64], fields: Fields, bad: Bad, *, since: int = 0
    ) -> tuple[NDArray[np.int64], Fields]:
        """The lines whose constants from column number `since` on are right."""
        for column, text in self._constants:
            if column < since:
                continue
            keep = fields.equal(column, text)
            if not keep.all():
                for index in np.flatnonzero(~keep).tolist():
                    bad[int(rows[index])] = self._unknown(column, text, fields.text(column, index))
                rows, fields = rows[keep], fields.only(keep)
        return rows, fields

    def _unknown(self, column: int, text: bytes, found: bytes) -> tuple[FaultReason | None, str]:
        shown, wanted = found[:MAX_EXCERPT].decode("latin-1"), text.decode("latin-1")
        return self._of_another_kind(f"{self._names[column]}: {shown!r} is not {wanted!r}")

    def _of_another_kind(self, detail: str) -> tuple[FaultReason | None, str]:
        if self._settings.other_lines == "ignore":
            return (None, "")
        return (FaultReason.UNKNOWN_LINE, detail)

    def _read(self, fields: Fields, faulty: Faulty) -> dict[str, NDArray[Any]]:
        """The columns as arrays by name; an axis is `axis NAME`."""
        out: dict[str, NDArray[Any]] = {}
        if not fields.rows:
            return out
        found = ColumnFaults()
        for index, column in enumerate(self._columns):
            number, own = self._numbers[index], found.of_column()
            if index in self._readers:
                found.are_of(self._readers[index].read(fields, own))
            elif isinstance(column, StatusColumn):
                found.are_of_status(column, self._statuses[index].read(fields, own))
            elif isinstance(column, CountsColumn):
                counts = v.read_count_columns(number, fields, own, column)
                out[f"axis {column.axis}"] = counts
            elif isinstance(column, Quadrature):
                levels = v.read_integers(number, fields, own, low=0, high=3)
                out[f"axis {column.axis}"] = levels
            elif isinstance(column, IndexMarkColumn):
                out[f"mark {column.axis}"] = self._marks[index].read(fields, own)
            elif isinstance(column, RunningNumberColumn):
                high = INT64_MAX if column.wrap is None else column.wrap - 1
                out["sequence"] = v.read_integers(number, fields, own, low=0, high=high)
            elif isinstance(column, ProbeColumn):
                out["probe"] = v.read_input_columns(number, fields, own, column)
            elif isinstance(column, DeviceTimeColumn):
                out["device_time"] = v.read_time_columns(number, fields, own, column)
        inputs = self._inputs.side_by_side
        return out | convert(found.settle(faulty), found.statuses, faulty, inputs)

    def _finish(
        self,
        lines: Lines,
        bad: Bad,
        rows: NDArray[np.int64] | None,
        columns: dict[str, NDArray[Any]] | None,
    ) -> Batch:
        """Put the batch together."""
        parts: dict[str, Any] = {}
        width = self._end_width
        n_lines = lines.starts.size
        total = int(lines.lengths.sum()) + width * n_lines
        fault_bytes, ignored_bytes = lines.dropped_bytes, lines.empty_bytes
        if bad or lines.overlong or lines.severed:
            faults, ignored, size = self._faults(lines, bad)
            total -= size + ignored
            fault_bytes += size
            ignored_bytes += ignored
            parts["n_ignored"] = sum(reason is None for reason, _ in bad.values())
            parts["n_faults"] = dict(Counter(reason for _, _, reason, _, _ in faults))
            parts["faults"] = tuple(
                Fault(offset, length, reason, excerpt, detail)
                for offset, length, reason, excerpt, detail in sorted(faults)[-MAX_FAULTS:]
            )
        if rows is not None and rows.size and columns is not None:
            every = rows.size == n_lines
            for axis, counter in self._quadrature.items():  # of the lines without fault only
                before = counter.errors
                columns[f"axis {axis}"] = counter.count(columns[f"axis {axis}"])
                if lost := counter.errors - before:
                    numbers = parts.setdefault("n_faults", {})
                    numbers[FaultReason.QUADRATURE] = numbers.get(FaultReason.QUADRATURE, 0) + lost
            parts |= self._records(
                lines.times if every else lines.times[rows],
                lines.known if every else lines.known[rows],
                lines.offsets if every else lines.offsets[rows],
                lines.lengths if every else lines.lengths[rows],
                columns,
            )
        return self._batch(
            record_bytes=total, fault_bytes=fault_bytes, ignored_bytes=ignored_bytes, **parts
        )

    def _faults(
        self, lines: Lines, bad: dict[int, tuple[FaultReason | None, str]]
    ) -> tuple[list[tuple[int, int, FaultReason, bytes, str]], int, int]:
        """Faults in any order, bytes of ignored lines, bytes of faulty lines."""
        limit = self._settings.max_length
        detail = f"no end of line {self._settings.terminator!r} within {limit} bytes"
        faults = [
            (one.offset, limit, FaultReason.TOO_LONG, one.excerpt, detail) for one in lines.overlong
        ]
        if (cut := lines.severed) is not None:
            faults.append((cut.offset, cut.length, FaultReason.PARTIAL, cut.excerpt, _SEVERED))
        ignored = size = 0
        width = self._end_width
        for row, (reason, detail) in bad.items():
            length = int(lines.lengths[row])
            if reason is None:
                ignored += length + width
                continue
            size += length + width
            start = int(lines.starts[row])
            excerpt = bytes(lines.data[start : start + min(length, MAX_EXCERPT)])
            faults.append((int(lines.offsets[row]), length, reason, excerpt, detail))
        return faults, ignored, size


def pass_over(lines: Lines, settings: TextLineSettings, width: int) -> tuple[Lines, int]:
    """Return the lines that are not to be ignored by what they begin with, and how many others.

    Args:
        lines: as they came.
        settings: of the lines.
        width: bytes at the end of each line that are none of its own.
    """
    if not settings.ignore_lines or not lines.starts.size:
        return lines, 0
    others = np.zeros(lines.starts.shape, np.bool_)
    for text in settings.ignore_lines:
        begins = lines.lengths >= len(text)
        for index, byte in enumerate(text.encode("latin-1")):
            begins &= lines.block.take(lines.starts + index, mode="clip") == byte
        others |= begins
    if not others.any():
        return lines, 0
    count = int(np.count_nonzero(others))
    kept = replace(
        lines.only(np.flatnonzero(~others)),
        overlong=lines.overlong,
        severed=lines.severed,
        dropped_bytes=lines.dropped_bytes,
        empty_bytes=lines.empty_bytes + int(lines.lengths[others].sum()) + width * count,
    )
    return kept, count


def make_line_framer(settings: TextLineSettings, tail: int, ns_per_byte: int) -> LineFramer:
    """Return the framer of lines with `tail` bytes behind their terminator."""
    return LineFramer(
        terminator=settings.terminator.encode("latin-1"),
        tail=tail,
        max_length=settings.max_length,
        ns_per_byte=ns_per_byte,
        prompt=settings.prompt.encode("latin-1"),
    )


def dropped_line(framer: LineFramer, offset: int, empty: Batch) -> Batch:
    """Drop the line that has only begun, as one `partial` fault; continue at byte `offset`."""
    at, dropped, is_tail = framer.reset(offset)
    if is_tail:
        return replace(empty, fault_bytes=len(dropped))
    return _partial(at, dropped, "the port was lost before the end of the line", empty)


def cut_off_line(framer: LineFramer, empty: Batch) -> Batch:
    """Cut off the line that has only begun, as one `partial` fault; see `abc.CuttingDecoder`."""
    return _partial(*framer.cut(), "a request was sent before the end of the line", empty)


def _partial(offset: int, dropped: bytes, detail: str, empty: Batch) -> Batch:
    if not dropped:
        return empty
    fault = Fault(
        offset=offset,
        length=len(dropped),
        reason=FaultReason.PARTIAL,
        excerpt=dropped[:MAX_EXCERPT],
        detail=detail,
    )
    return replace(
        empty, faults=(fault,), n_faults={FaultReason.PARTIAL: 1}, fault_bytes=len(dropped)
    )


def _notation(column: AnyColumn, point: str) -> Notation:
    """How the numbers of a column are written."""
    return Notation(
        base=BASES.get(getattr(column, "written", "decimal"), 10),
        point=point.encode("latin-1"),
        sign_behind=getattr(column, "sign", "before") == "behind",
        before=getattr(column, "before", "").encode("latin-1"),
        behind=tuple(text.encode("latin-1") for text in texts_behind(column)),
    )
