"""Columns that show whether a reading is valid, and whether an encoder passed its index mark."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.delimited.columns import IndexMarkColumn, StatusColumn
from swathe_drivers.delimited.fields import Fields
from swathe_drivers.delimited.values import NumberColumnReader, read_integers
from swathe_drivers.record_values import INT64_MAX, Faulty
from swathe_drivers.records import FaultReason


class StatusReader:
    """Reads a status column."""

    def __init__(self, column: StatusColumn, reader: NumberColumnReader) -> None:
        self._reader = reader
        self._mask, self._valid_when = column.mask, column.valid_when
        self._texts = _Texts(column.valid, column.invalid, reader)

    def read(self, fields: Fields, faulty: Faulty) -> NDArray[np.bool_]:
        """Lines that are valid, shape (n,)."""
        if self._mask is None:
            return self._texts.first(fields, faulty)
        numbers = read_integers(self._reader, fields, faulty, low=0, high=INT64_MAX)
        return np.asarray(numbers & self._mask == self._valid_when)


class MarkReader:
    """Reads a column that shows whether an encoder passed its index mark."""

    def __init__(self, column: IndexMarkColumn, reader: NumberColumnReader) -> None:
        self._reader = reader
        self._mask = column.mask
        self._texts = _Texts(column.marked, column.unmarked, reader) if column.marked else None

    def read(self, fields: Fields, faulty: Faulty) -> NDArray[np.bool_]:
        """Lines with which it did, shape (n,)."""
        if self._texts is not None:
            return self._texts.first(fields, faulty)
        high = 1 if self._mask is None else INT64_MAX
        numbers = read_integers(self._reader, fields, faulty, low=0, high=high)
        return np.asarray(numbers & (1 if self._mask is None else self._mask) != 0)


class _Texts:
    """Two lists of texts, of which one must be in the column; any other is a fault."""

    def __init__(
        self, first: Sequence[str], second: Sequence[str], reader: NumberColumnReader
    ) -> None:
        self._index, self._name = reader.index, reader.name
        self._first = [text.encode("latin-1") for text in first]
        self._second = [text.encode("latin-1") for text in second]
        self._known = ", ".join(repr(text) for text in (*first, *second))

    def first(self, fields: Fields, faulty: Faulty) -> NDArray[np.bool_]:
        """Lines with a text of the first list, shape (n,)."""
        found = np.zeros(fields.rows, np.bool_)
        for text in self._first:
            found |= fields.equal(self._index, text)
        if found.all():
            return found
        known = found.copy()
        for text in self._second:
            known |= fields.equal(self._index, text)
        if not known.all():
            for row in np.flatnonzero(~known).tolist():
                shown = repr(fields.text(self._index, row).decode("latin-1"))
                detail = f"{self._name}: {shown} is none of {self._known}"
                faulty.add(row, FaultReason.STATUS, detail)
        return found
