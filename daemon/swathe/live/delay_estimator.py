"""The gauge's delay, estimated again and again during a scan."""

from __future__ import annotations

import asyncio

from swathe.pipeline.placing.delay import DelayEstimate
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.station import Station, gauge_of

__all__ = ["DelayEstimator"]

_INTERVAL_SECONDS = 20.0
# Dozens of lines at a usual rate: the delay of a device drifts with temperature, if at all.
_MOST_READINGS = 100_000


class DelayEstimator:
    """Estimates the delay between encoder and gauge at intervals during the scan.

    The estimate is published, not applied: the delay in force is the station file's, so that a
    rebuild uses the same one.

    Args:
        station: the station file.

    Attributes:
        gauge: the device that gives readings.
        watch: collects readings; None when readings bring their own position.
        newest: the newest estimate; None before the first.
    """

    def __init__(self, station: Station) -> None:
        self.gauge = gauge_of(station)
        self.watch: DelayObserver | None = None
        if self.gauge != station.scan.device:
            self.watch = DelayObserver(
                scan=station.scan_axis, index=station.index_axis, most=_MOST_READINGS
            )
        self.newest: DelayEstimate | None = None

    def resume(self, watch: object) -> None:
        """Continue with what collected the readings of earlier runs."""
        if isinstance(watch, DelayObserver):
            self.watch = watch

    async def run(self) -> None:
        """Estimate until cancelled."""
        while self.watch is not None:
            await asyncio.sleep(_INTERVAL_SECONDS)
            self.newest = await asyncio.to_thread(self.watch.copy().estimate)
