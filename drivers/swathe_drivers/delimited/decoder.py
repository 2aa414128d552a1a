"""Columns between separators; see `text_decoder` for what is in them."""

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.delimited.fields import Fields, Splitter
from swathe_drivers.delimited.separated import DelimitedSettings
from swathe_drivers.delimited.text_decoder import TextDecoder
from swathe_drivers.framing import Lines
from swathe_drivers.record_values import Bad
from swathe_drivers.records import FaultReason


class DelimitedDecoder(TextDecoder):
    """Decodes lines of text with columns between separators; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: DelimitedSettings, *, ns_per_byte: int = 0) -> None:
        super().__init__(settings, ns_per_byte=ns_per_byte)
        self._separator = settings.separator.encode("latin-1")
        self._splitter = Splitter(separator=self._separator, columns=len(settings.columns))

    def _split(self, lines: Lines, bad: Bad) -> tuple[NDArray[np.int64], Fields]:
        block = lines.block
        rows = np.arange(lines.starts.size)
        if self._constants and self._constants[0][0] == 0:
            keep = self._check_leading(lines, bad)
            if keep is not None:
                rows = rows[keep]
        rows, starts, ends = self._check_sums(lines, rows, bad)
        separators = self._splitter.find(block[: int(ends[-1])] if ends.size else block[:0])
        first, counts = self._splitter.count(separators, starts, ends)
        keep = counts == len(self._columns)
        if not keep.all():
            for index in np.flatnonzero(~keep).tolist():
                line = bytes(lines.data[starts[index] : ends[index]])
                bad[int(rows[index])] = self._judge_columns(line, int(counts[index]))
            rows, first = rows[keep], first[keep]
            starts, ends = starts[keep], ends[keep]
        fields = self._splitter.split(lines.data, block, separators, first, starts, ends)
        return self._check_constants(rows, fields, bad, since=1)

    def _check_leading(self, lines: Lines, bad: Bad) -> NDArray[np.bool_] | None:
        """Lines that begin with the constant of the first column; None if all do."""
        text = self._constants[0][1]
        keep: NDArray[np.bool_]
        keep = lines.block.take(lines.starts + len(text), mode="clip") == self._separator[0]
        for index, byte in enumerate(text):
            keep &= lines.block.take(lines.starts + index, mode="clip") == byte
        if keep.all():
            return None
        for row in np.flatnonzero(~keep).tolist():
            start = int(lines.starts[row])
            line = bytes(lines.data[start : start + int(lines.lengths[row])])
            found = line.split(self._separator, 1)[0]
            after = "" if self._settings.checksum is None else self._settings.checksum.after
            if after and found == line:
                found = line.rsplit(after.encode("latin-1"), 1)[0]
            found = self._splitter.strip(found)
            if found == text:
                keep[row] = True
            else:
                bad[row] = self._unknown(0, text, found)
        return keep

    def _judge_columns(self, line: bytes, count: int) -> tuple[FaultReason | None, str]:
        """Why a line has the wrong number of columns: perhaps it's of another kind."""
        found = [self._splitter.strip(text) for text in line.split(self._separator)]
        for column, text in self._constants:
            if column < len(found) and found[column] != text:
                return self._unknown(column, text, found[column])
        wanted = len(self._columns)
        return (FaultReason.COLUMNS, f"{count} columns where there should be {wanted}")
