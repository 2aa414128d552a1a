"""Reading one axis's counts live, for calibrating and measuring with the encoder."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

import numpy as np

from swathe.errors import SwatheError
from swathe.journal import Chunk, PortChange
from swathe.live.ports import PortHub
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoder import CountsToPosition
from swathe.station import AxisSettings, Station, axis_source, decoder_of

__all__ = ["EncoderReader"]

# Records sent before a key was pressed have arrived by then.
_SETTLE_SECONDS = 0.3


class EncoderReader:
    """Follows one encoded axis on its port; a context manager.

    Args:
        station: the station file.
        axis: ``scan`` or ``index``.

    Raises:
        SwatheError: the axis is not encoded in this station.
    """

    def __init__(self, station: Station, axis: str) -> None:
        settings: AxisSettings | None = {"scan": station.scan, "index": station.index}.get(axis)
        if settings is None or settings.device is None:
            message = f"'{axis}' is no encoded axis of this station: name scan or index"
            raise SwatheError(message)
        self.settings = settings
        self.device, column = axis_source(axis, settings)
        device = station.device[self.device]
        decoder = decoder_of(device)
        self._column = decoder.axes.index(column)
        # Counts as they are, but with roll-over undone: no zero, no sign, no scale.
        plain = settings.model_copy(
            update={
                "counts_per_mm": 1.0,
                "wheel": None,
                "reversed": False,
                "zero_count": 0.0,
                "zero_at": 0.0,
                "backlash": 0.0,
            }
        )
        self._scale = CountsToPosition(plain, period=decoder.count_periods[column], is_length=False)
        self._link = DeviceLink(decoder=decoder, delay_ns=0, tally=DeviceTally())
        self._hub = PortHub(station.model_copy(update={"device": {self.device: device}}))
        self._counts: float | None = None

    def __enter__(self) -> Self:
        self._hub.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._hub.__exit__(kind, error, trace)

    def counts(self, *, patience: float = 5.0) -> float:
        """Return the newest counts, roll-over undone.

        Args:
            patience: seconds to wait for a first record.

        Raises:
            SwatheError: the port gives no counts; the text says why.
        """
        end = time.monotonic() + patience
        time.sleep(_SETTLE_SECONDS)
        self._drain()
        while self._counts is None:
            if time.monotonic() > end:
                tally = self._link.tally
                reason = tally.detail or "it is open, but no record came: move the encoder a little"
                message = f"{self.device} gives no counts ({tally.bytes} bytes): {reason}"
                raise SwatheError(message)
            time.sleep(0.02)
            self._drain()
        return self._counts

    def _drain(self) -> None:
        def take(entry: Chunk | PortChange) -> None:
            if isinstance(entry, Chunk):
                self._link.take(entry.data, entry.time)
            elif entry.state != "closed":
                self._link.tally.state = entry.state
                self._link.tally.detail = entry.detail if entry.state != "open" else ""

        self._hub.drain(take)
        batch = self._link.decode()
        if batch is not None and batch.positions.size:
            counts = batch.positions["counts"][:, self._column]
            self._counts = float(self._scale.positions(np.ascontiguousarray(counts))[-1])
