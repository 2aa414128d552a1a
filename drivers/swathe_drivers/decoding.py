"""What the decoders of lines and of frames share: abilities, the batch."""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import MEASURED, Abilities
from swathe_drivers.kinds import KindRows
from swathe_drivers.records import (
    ABSENT_SEQUENCE,
    ABSENT_TIME,
    READING,
    Batch,
    no_positions,
    position_dtype,
)

_ABSENT: Final = {
    "device_time": ABSENT_TIME,
    "sequence": ABSENT_SEQUENCE,
    "time_of_flight": np.nan,
    "thickness": np.nan,
    "amplitude": np.nan,
    "valid": True,
}
"""What columns hold that a device does not send; the others 0."""


class RecordDecoder(ABC):
    """Turns the bytes of one port into batches; see `swathe_drivers.abc.Decoder`.

    Attributes:
        is_among_others: whether its records are of one kind among others; see `take_rows`.
        gives_each: whether each good line or frame is one reading, one position, or both at its offset.
    """

    def __init__(self, abilities: Abilities) -> None:
        self.axes: Final = abilities.axes
        self.count_periods: Final = abilities.count_periods
        self.length_axes: Final = abilities.length_axes
        self.gives: Final = abilities.gives
        self.gives_readings: Final = abilities.gives_readings
        self.gives_positions: Final = abilities.gives_positions
        self.combined: Final = abilities.combined
        self.has_clock: Final = abilities.has_clock
        self.clock_wrap_ns: Final = abilities.clock_wrap_ns
        self.sequence_wrap: Final = abilities.sequence_wrap
        self.numbered: Final = abilities.numbered
        self.pulse_period_ns: Final = abilities.pulse_period_ns
        self.held_after: Final[Mapping[str, int]] = abilities.held_after
        self.waveform: Final = abilities.waveform
        self.channels: Final = abilities.channels
        self.inputs: Final = abilities.inputs.listed
        self._inputs: Final = abilities.inputs
        self.is_among_others = False
        self.gives_each = False
        self._kind_rows: KindRows | None = None
        self._blank_reading = _blank(READING)
        self._blank_position = _blank(position_dtype(len(self.axes)))
        self._empty = self._batch()

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk, which arrived at `time_ns`; raises nothing."""
        return self.feed_chunks([(time_ns, data)])

    @abstractmethod
    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""

    @abstractmethod
    def reset(self, offset: int) -> Batch:
        """Forget the record that has only begun; the stream continues at byte `offset`."""

    @abstractmethod
    def cut(self) -> Batch:
        """Let no record begin with what is left over; see `swathe_drivers.abc.CuttingDecoder`."""

    @property
    @abstractmethod
    def pending(self) -> int:
        """Bytes of a record that has only begun, or of a fault that is not yet over."""

    def take_rows(self) -> KindRows | None:
        """Return what the good records of the last batch hold, of a kind among others; None: none."""
        rows, self._kind_rows = self._kind_rows, None
        return rows

    def _batch(self, **parts: Any) -> Batch:  # noqa: ANN401  the fields of a batch
        """Return a batch with what is not in `parts` empty."""
        parts.setdefault("positions", no_positions(len(self.axes)))
        if self.waveform is not None:
            empty = np.empty((0, self.waveform.samples), self.waveform.dtype)
            parts.setdefault("waveforms", empty)
        if self.channels:
            parts.setdefault("channels", np.empty((0, len(self.channels))))
        return Batch(combined=self.combined, **parts)

    def _records(
        self,
        times: NDArray[np.int64],
        known: NDArray[np.int64],
        offsets: NDArray[np.int64],
        sizes: NDArray[np.int64],
        columns: Mapping[str, NDArray[Any]],
    ) -> dict[str, NDArray[Any]]:
        """Return the readings, waveforms and positions of records with `columns`.

        Args:
            times: at which the records began, ns.
            known: arrivals of the chunks with which they became known, ns.
            offsets: of their first bytes in the port's stream.
            sizes: of their bytes, without a line's terminator.
            columns: what they hold, by name; an axis is `axis NAME`, its mark `mark NAME`.
        """
        common = {"time": times, "offset": offsets, "size": sizes} | {
            name: columns[name] for name in ("device_time", "sequence") if name in columns
        }
        parts: dict[str, NDArray[Any]] = {}
        if self.is_among_others:
            self._kind_rows = self._rows_of_kind(offsets, columns)
        if self.gives_readings:
            each = self._inputs.readings
            readings = np.repeat(self._blank_reading, times.size * each)
            for name, column in common.items():
                readings[name] = column if each == 1 else np.repeat(column, each)
            for name in ("time_of_flight", "thickness", "amplitude", "valid"):
                if name in columns:
                    readings[name] = columns[name].reshape(-1)
            if not self.gives & MEASURED:  # the gauge reported, and had nothing to report
                readings["valid"] = False
            if self.inputs != (0,):
                readings["probe"] = self._inputs.numbers(columns, times.size)
            parts["readings"] = readings
            parts["readings_known_at"] = known if each == 1 else np.repeat(known, each)
            if self.waveform is not None:
                scans = columns["waveform"]
                parts["waveforms"] = scans if each == 1 else scans.reshape(readings.size, -1)
            if self.channels:
                values = [columns[f"channel {channel.name}"] for channel in self.channels]
                channels = np.stack(values, axis=1)
                parts["channels"] = channels if each == 1 else np.repeat(channels, each, axis=0)
        if self.gives_positions:
            positions = np.repeat(self._blank_position, times.size)
            for name, column in common.items():
                positions[name] = column
            for number, axis in enumerate(self.axes):
                positions["counts"][:, number] = columns[f"axis {axis}"]
                if (mark := columns.get(f"mark {axis}")) is not None:
                    positions["mark"][:, number] = mark
            parts["positions"], parts["positions_known_at"] = positions, known
        return parts

    def _rows_of_kind(
        self, offsets: NDArray[np.int64], columns: Mapping[str, NDArray[Any]]
    ) -> KindRows:
        """Return what else good records hold, once for each reading that they have."""
        each = self._inputs.readings
        if each == 1:
            return KindRows(offsets, columns)
        others = {
            name: np.repeat(column, each)
            for name, column in columns.items()
            if name == "sequence" or name.startswith(("channel ", "axis "))
        }
        return KindRows(np.repeat(offsets, each), others)


def _blank(dtype: np.dtype[Any]) -> NDArray[Any]:
    """One record, shape (), in which everything that a device may leave out is absent."""
    record = np.zeros((), dtype)
    for name, value in _ABSENT.items():
        if name in (dtype.names or ()):
            record[name] = value
    return record
