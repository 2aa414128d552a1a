"""Reading one axis's counts live, for calibrating and measuring with the encoder."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

import numpy as np

from swathe.calibration.roll_checks import Roll
from swathe.errors import SwatheError
from swathe.journal import Chunk, PortChange, Sent
from swathe.live.axis_trial import plain_axis
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

    Attributes:
        settings: of the axis.
        display: how lengths are written.
        device: its name.
        is_length: whether the device sends mm instead of counts.
        silent_at_rest: whether the device sends nothing while the encoder rests.
        lost: why the port is lost now; empty while it is not.

    Raises:
        SwatheError: the axis is not encoded in this station.
    """

    def __init__(self, station: Station, axis: str) -> None:
        settings: AxisSettings | None = {"scan": station.scan, "index": station.index}.get(axis)
        if settings is None or settings.device is None:
            message = f"'{axis}' is no encoded axis of this station: name scan or index"
            raise SwatheError(message)
        self.settings = settings
        self.display = station.display
        self.device, column = axis_source(axis, settings)
        device = station.device[self.device]
        decoder = decoder_of(device)
        self._column = decoder.axes.index(column)
        self.is_length = column in decoder.length_axes
        self._scale = CountsToPosition(
            plain_axis(settings), period=decoder.count_periods[column], is_length=False
        )
        self._link = DeviceLink(decoder=decoder, delay_ns=0, tally=DeviceTally())
        self._hub = PortHub(station.model_copy(update={"device": {self.device: device}}))
        self._counts: float | None = None
        self._newest = time.monotonic_ns()
        self.lost = ""
        self._roll = Roll()
        self.silent_at_rest = device.on_change

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

    def begin_roll(self) -> float:
        """Begin a roll where the encoder is; return its counts there.

        Raises:
            SwatheError: the port gives no counts; the text says why.
        """
        counts = self.counts()
        self._roll = Roll(lost=self.lost)
        return counts

    def at(self) -> float:
        """Return the newest counts without waiting; NaN before the first record."""
        self._drain()
        return float("nan") if self._counts is None else self._counts

    def roll(self) -> Roll:
        """Return the roll so far, with what has arrived until now."""
        self._drain()
        self._roll.silent = max(time.monotonic_ns() - self._newest, 0) / 1e9
        return self._roll

    def settled_roll(self) -> Roll:
        """Return the roll with all that was sent before now."""
        time.sleep(_SETTLE_SECONDS)
        return self.roll()

    def _drain(self) -> None:
        def take(entry: Chunk | PortChange) -> None:
            if isinstance(entry, Chunk):
                self._link.take(entry.data, entry.time)
                self._take_records(entry.time)
            elif entry.state != "closed":
                self._link.tally.state = entry.state
                self._link.tally.detail = entry.detail if entry.state != "open" else ""
                if entry.state == "lost":
                    self.lost = entry.detail or "lost"
                    self._roll.lost = self._roll.lost or self.lost
                elif entry.state == "open":
                    self.lost = ""

        def sent(entry: Sent) -> None:
            if not entry.unanswered:
                self._link.send(entry.data, entry.time)

        self._hub.drain(take, sent)

    def _take_records(self, arrived: int) -> None:
        """Take the counts of the records that are complete."""
        batch = self._link.decode()
        if batch is None or not batch.positions.size:
            return
        column = np.ascontiguousarray(batch.positions["counts"][:, self._column])
        counts = self._scale.positions(column)
        before = counts[0] if self._counts is None else self._counts
        self._roll.add(np.concatenate(([before], counts)))
        self._counts, self._newest = float(counts[-1]), arrived
