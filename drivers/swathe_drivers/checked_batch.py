"""Whether a decoder and what it returns are what `swathe_drivers.abc` promises."""

from collections.abc import Callable, Mapping
from numbers import Integral
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.abc import Decoder, channels_of, inputs_of
from swathe_drivers.errors import DriverError
from swathe_drivers.failure_text import failure_text
from swathe_drivers.records import READING, Batch, Fault, FaultReason, begins_record, position_dtype

_NEVER: Final = -(2**63)
_COUNTS: Final = ("n_ignored", "record_bytes", "fault_bytes", "ignored_bytes")
_MEASURED: Final = ("time_of_flight", "thickness")
_MEMBERS: Final = tuple(sorted(name for name in vars(Decoder) if not name.startswith("_")))


class BatchCheck:
    """Checks the batches of one decoder, one after the other, against each other.

    Args:
        decoder: whose batches they are; anything with the attributes of `abc.Decoder`.
        numbering: whether each record has the number of its request.
        offset: of the stream's next byte.
    """

    def __init__(self, decoder: Any, *, numbering: bool, offset: int) -> None:  # noqa: ANN401
        self._combined = bool(decoder.combined)
        self._gives = frozenset(decoder.gives)
        self._form = decoder.waveform
        self._inputs = inputs_of(decoder)
        self._channels = len(channels_of(decoder))
        self._numbering = numbering
        self._dtypes = {"readings": READING, "positions": position_dtype(len(decoder.axes))}
        self._ends = {"readings": offset, "positions": offset}
        self._times = {"readings": _NEVER, "positions": _NEVER}

    def problem(
        self, batch: object, *, pending: int, end: int, time_ns: int | None, keeps: bool = False
    ) -> str:
        """Return what is wrong with a batch; empty if nothing is.

        Args:
            batch: what the decoder returned.
            pending: bytes of the stream that no batch has accounted for, those just fed included.
            end: offset behind the bytes just fed.
            time_ns: their time of arrival, ns; None for what `reset` returned.
            keeps: whether bytes may stay pending all the same, as after `cut`.
        """
        if not isinstance(batch, Batch):
            return f"returned no Batch but {type(batch).__name__}"
        found = self._account_problem(batch, pending, time_ns is None and not keeps)
        for name in ("readings", "positions"):
            found = found or self._column_problem(name, batch)
        found = found or self._size_problem(batch)
        if found or not (batch.readings.size or batch.positions.size):
            return found
        if time_ns is None:
            return "returned records for a reset, at which no bytes came"
        found = _reading_problem(batch.readings, self._gives) or _position_problem(batch.positions)
        found = found or self._input_problem(batch)
        for name in ("readings", "positions"):
            found = found or self._order_problem(name, getattr(batch, name), end, time_ns)
        return found

    def _account_problem(self, batch: Batch, pending: int, is_reset: bool) -> str:
        for name in _COUNTS:
            value = getattr(batch, name)
            if not isinstance(value, Integral) or value < 0:
                return f"returned {value!r} as '{name}'"
        missing = batch.n_missing
        if missing is not None and (not isinstance(missing, Integral) or missing < 0):
            return f"returned {missing!r} as 'n_missing'"
        accounted = batch.record_bytes + batch.fault_bytes + batch.ignored_bytes
        if accounted > pending:
            return f"accounted for {accounted} bytes where {pending} were to be accounted for"
        if is_reset and accounted < pending:
            return f"accounted for {accounted} of the {pending} bytes that a reset drops"
        if not isinstance(batch.n_faults, Mapping) or not all(
            isinstance(reason, FaultReason) and isinstance(count, Integral) and count >= 0
            for reason, count in batch.n_faults.items()
        ):
            return f"returned {batch.n_faults!r} as 'n_faults'"
        if not isinstance(batch.faults, tuple) or not all(
            isinstance(fault, Fault) for fault in batch.faults
        ):
            return "returned 'faults' that are no tuple of faults"
        return ""

    def _column_problem(self, name: str, batch: Batch) -> str:
        records, dtype = getattr(batch, name), self._dtypes[name]
        if not isinstance(records, np.ndarray) or records.ndim != 1 or records.dtype != dtype:
            found = getattr(records, "dtype", type(records).__name__)
            return f"returned '{name}' that are no column of the dtype required (but {found})"
        requests = getattr(batch, f"{name}_request")
        size = records.size if self._numbering else 0
        if not isinstance(requests, np.ndarray) or requests.shape != (size,):
            return f"returned '{name}_request' for {np.size(requests)} of {records.size} records"
        return ""

    def _size_problem(self, batch: Batch) -> str:
        if bool(batch.combined) != self._combined:
            return f"returned a batch with 'combined' {batch.combined}"
        readings, positions = batch.readings, batch.positions
        if self._combined and int(begins_record(readings).sum()) != positions.size:
            return f"returned {readings.size} readings with {positions.size} positions"
        width = self._channels
        if width or batch.channels is not None:
            wanted = batch.readings.size, width
            if not isinstance(batch.channels, np.ndarray) or batch.channels.shape != wanted:
                return f"returned channels that are no array of shape {wanted}"
        form, waveforms = self._form, batch.waveforms
        if (form is None) != (waveforms is None):
            return "returned A-scans though it states none, or none though it states some"
        if form is None or waveforms is None:
            return ""
        shape = batch.readings.size, form.samples
        if (
            not isinstance(waveforms, np.ndarray)
            or waveforms.shape != shape
            or waveforms.dtype != form.dtype
        ):
            return f"returned A-scans that are no array of shape {shape} and dtype {form.dtype}"
        return ""

    def _order_problem(self, name: str, records: NDArray[Any], end: int, time_ns: int) -> str:
        """Compare offsets and times with those before, with the stream's end and with arrival."""
        if not records.size:
            return ""
        if name == "readings":  # one record may have several, each of another input
            records = records[begins_record(records)]
        offsets, sizes, times = records["offset"], records["size"], records["time"]
        ends = offsets + sizes
        behind = np.concatenate(([self._ends[name]], ends[:-1]))
        if (sizes < 0).any() or (offsets < behind).any() or int(ends[-1]) > end:
            return f"returned '{name}' whose offsets do not rise, or are not in the stream"
        if int(times[0]) < self._times[name] or (np.diff(times) < 0).any():
            return f"returned '{name}' whose times fall"
        if int(times[-1]) > time_ns:
            return f"returned '{name}' with a time after their arrival"
        self._ends[name], self._times[name] = int(ends[-1]), int(times[-1])
        return ""

    def _input_problem(self, batch: Batch) -> str:
        """Compare the inputs of readings with those stated, and with each other in one record."""
        readings = batch.readings
        if not readings.size:
            return ""
        probes = readings["probe"]
        if self._inputs is not None:
            unknown = probes[~np.isin(probes, self._inputs)]
            if unknown.size:
                return (
                    f"returned a reading of the input {unknown[0]}, which its 'inputs' do not list"
                )
        begins = begins_record(readings)
        if begins.all():
            return ""
        records = np.cumsum(begins)
        own = records * 256 + probes
        if np.unique(own).size < own.size:
            return "returned two readings of one input in one record"
        first = np.flatnonzero(begins)[records - 1]
        for name in ("time", "device_time", "sequence", "size"):
            column = readings[name]
            if (column != column[first]).any():
                return f"returned readings of one record that differ in '{name}'"
        return ""


def _reading_problem(readings: NDArray[Any], gives: frozenset[str]) -> str:
    if not readings.size:
        return ""
    valid = readings["valid"]
    # What is no bool in the memory of the array reads as true and is not equal to it.
    if (valid.view(np.uint8) > 1).any():
        return "returned readings with uninitialised values"
    measured = gives.intersection(_MEASURED)
    if measured:
        present = np.logical_or.reduce([np.isfinite(readings[name]) for name in measured])
        if (valid & ~present).any():
            return "returned a valid reading whose value is no finite number"
    for name in (*_MEASURED, "amplitude"):
        if np.isinf(readings[name]).any():
            return f"returned a reading with an infinite '{name}'"
    for name in _MEASURED:
        if (~valid & ~np.isnan(readings[name])).any():
            return f"returned a reading that is not valid and has a '{name}'"
    if (readings["sequence"] < -1).any():
        return "returned a reading with a negative 'sequence'"
    if readings["flags"].any():
        return "returned a reading with 'flags', which are the daemon's"
    return ""


def _position_problem(positions: NDArray[Any]) -> str:
    if not positions.size:
        return ""
    if not np.isfinite(positions["counts"]).all():
        return "returned a position that is no finite number"
    if (positions["sequence"] < -1).any():
        return "returned a position with a negative 'sequence'"
    return ""


def made_decoder(name: str, make: Callable[[], Decoder]) -> Decoder:
    """Return what `make` makes.

    Raises:
        DriverError: it fails, or what it makes is no decoder.
    """
    try:
        decoder = make()
    except Exception as error:
        message = f"driver {name!r} makes no decoder: it {failure_text(error)}"
        raise DriverError(message) from error
    if not isinstance(decoder, Decoder):
        missing = ", ".join(member for member in _MEMBERS if not hasattr(decoder, member))
        message = f"driver {name!r} makes no decoder: {type(decoder).__name__} has no {missing}"
        raise DriverError(message)
    return decoder
