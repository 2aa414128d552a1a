"""The gauge's delay, estimated from the readings of a scan."""

from __future__ import annotations

import asyncio

from swathe.pipeline.placing.delay import DelayEstimate
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.station import Station, gauge_of

__all__ = ["DelayEstimator"]

# Dozens of lines at a usual rate: the delay of a device drifts with temperature, if at all. What is
# older than an hour is kept where readings are rare, or a survey was left for days: so many.
_MOST_READINGS = 100_000
_FEW_READINGS = 20_000


class DelayEstimator:
    """Estimates the delay between encoder and gauge, in addition to the one in force.

    Args:
        station: the station file.

    Attributes:
        gauge: the device that gives readings.
        watch: collects readings; None when readings bring their own position.
        newest: the newest estimate; None before the first.
    """

    def __init__(self, station: Station) -> None:
        self._station = station
        self.gauge = gauge_of(station)
        self.watch = self.new_watch()
        self.newest: DelayEstimate | None = None

    def new_watch(self) -> DelayObserver | None:
        """Return what collects readings from now on, for a new pipeline."""
        if self.gauge == self._station.scan.device:
            return None
        return DelayObserver(
            scan=self._station.scan_axis,
            index=self._station.index_axis,
            most=_MOST_READINGS,
            few=_FEW_READINGS,
        )

    def resume(self, watch: object) -> None:
        """Continue with what collected the readings of earlier runs."""
        if isinstance(watch, DelayObserver):
            self.watch = watch

    async def estimate(self) -> DelayEstimate | None:
        """Estimate in a thread, from what was collected until now; None without a collector."""
        if self.watch is None:
            return None
        self.newest = await asyncio.to_thread(self.watch.copy().estimate)
        return self.newest
