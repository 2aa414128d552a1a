"""From estimates of the gauge's delay to marks in the journal, and to a survey placed again."""

from __future__ import annotations

import asyncio
import logging
import math
import time
from importlib import import_module

from swathe.journal import MarkKind
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.placing_task import PlacingTask
from swathe.live.replacement import Replacement
from swathe.live.session import Session
from swathe.pipeline import DelayEstimate, EstimatedDelay, MeasuredDelay
from swathe.station import DelaySetting, Station, delay_pairs

__all__ = ["AutoDelay", "is_news"]

_log = logging.getLogger(__name__)

_INTERVAL_SECONDS = 20.0
# Until the delay is sure: a pair of lines may have been completed. An estimate that takes long is
# repeated less often: it takes at most this share of the time.
_FIRST_INTERVAL_SECONDS = 4.0
_SHARE = 0.1
# A delay that moves readings by less than this share of a cell is not worth placing all again.
_SHARE_OF_CELL = 0.25
_MARK_SECONDS = 20.0
# What an estimate imports: some 20 MB and half a second, which a scan or a crawler is not to meet later.
_ESTIMATES_WITH = "swathe.pipeline.placing.delay_fit"


class AutoDelay(PlacingTask):
    """Estimates the delay while a run lasts, and has the survey placed again once it is sure.

    Args:
        station: the station file.
        session: of the run; takes the marks, and places again.
        estimator: its `watch` is the session's observer.
        replacement: places the survey again.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        estimator: DelayEstimator,
        replacement: Replacement,
    ) -> None:
        super().__init__(replacement)
        self._session = session
        self._estimator = estimator
        self._resolution = station.scan_axis.resolution
        settings = {pair.gauge: pair.setting for pair in delay_pairs(station)}
        setting = settings.get(estimator.gauge, DelaySetting.GIVEN)
        self._automatic = setting is DelaySetting.AUTO
        self._marked = setting is not DelaySetting.GIVEN
        self._newest_mark: EstimatedDelay | None = None
        self._mark_due = 0.0
        self._readings = -1  # of the survey when it was estimated last
        self._asked = self._answered = False
        self._placing: MeasuredDelay | None = None

    def may_end(self, *, covered: bool) -> bool:
        """Return whether a run whose plan is `covered` may end: all is placed as well as it can be.

        The first call for a covered plan begins an estimate; after it the plan may not be covered.
        """
        if not covered:
            self._asked = self._answered = False
            return False
        if self._task is None or not self._automatic or self._failed:
            return self._placing is None
        if not self._asked:
            self._asked = True
            self._wake.set()
        return self._answered

    def begin(self) -> None:
        """Begin to estimate, as a task of the running loop."""
        if self._estimator.watch is not None:
            self._start(self._run(), "delay.estimator")

    async def _finish(self) -> None:
        """Estimate once more from all that was collected, and place again if that is due."""
        read = self._session.pipeline.readings
        if self._automatic and not (self._failed or self._answered or self._readings == read):
            await self._step()

    async def _run(self) -> None:
        await asyncio.to_thread(import_module, _ESTIMATES_WITH)
        wait = _FIRST_INTERVAL_SECONDS
        while not self._failed:
            try:
                async with asyncio.timeout(wait):
                    await self._wake.wait()
            except TimeoutError:
                pass
            self._wake.clear()
            if self._ending:
                return
            begun, asked = time.monotonic(), self._asked
            sure = await self._step()
            self._answered = asked and self._asked
            took = time.monotonic() - begun
            usual = _INTERVAL_SECONDS if sure or not self._marked else _FIRST_INTERVAL_SECONDS
            wait = max(usual, took / _SHARE)

    async def _step(self) -> bool:
        """Estimate, journal what is new, place again if it is due; return whether it is sure."""
        session, gauge = self._session, self._estimator.gauge
        readings = session.pipeline.readings
        try:
            estimate = await self._estimator.estimate()
        except Exception:  # noqa: BLE001  the scan is worth more than the estimate
            _log.exception("the delay is not estimated any more")
            self._failed = True
            return False
        self._readings = readings
        if estimate is None:
            return False
        pipeline = session.pipeline
        in_force = pipeline.delay_difference(gauge)
        applied = pipeline.newest_delays.get(gauge)
        news = estimate.sure and (applied is None or self._matters(estimate, pipeline.usual_speed))
        if self._automatic and news:
            self._placing = MeasuredDelay(
                delay=in_force + round(estimate.delay),
                low=in_force + math.floor(estimate.low),
                high=in_force + math.ceil(estimate.high),
                pairs=estimate.pairs,
            )
            session.mark(MarkKind.DELAY, **self._placing.as_detail(gauge))
            await self._place_again(self._placing)
        elif self._marked:
            self._mark_estimate(EstimatedDelay.of(estimate, in_force))
        return estimate.sure

    def _matters(self, estimate: DelayEstimate, speed: float) -> bool:
        """Return whether the delay in force is outside the interval, and moves readings much."""
        outside = estimate.low > 0 or estimate.high < 0
        moved = abs(estimate.delay) / 1e9 * speed
        return outside and moved > _SHARE_OF_CELL * self._resolution

    async def _place_again(self, measured: MeasuredDelay) -> None:
        gauge = self._estimator.gauge

        def needed() -> bool:
            return self._session.pipeline.measured_delays.get(gauge) != measured

        try:
            how = f"with a delay of {measured.delay / 1e6:.1f} ms"
            await self._replacement.run(how, needed=needed)
        except MemoryError:
            _log.exception("the survey is not placed again: `swathe rebuild` does it")
            self._failed = True
        finally:
            self._placing = None

    def _mark_estimate(self, estimate: EstimatedDelay) -> None:
        """Journal an estimate that differs notably from the one before, at intervals."""
        now = time.monotonic()
        if now < self._mark_due or not is_news(estimate, self._newest_mark):
            return
        self._newest_mark, self._mark_due = estimate, now + _MARK_SECONDS
        detail = estimate.as_detail(self._estimator.gauge)
        self._session.mark(MarkKind.DELAY_ESTIMATED, **detail)


def is_news(estimate: EstimatedDelay, before: EstimatedDelay | None) -> bool:
    """Return whether an estimate differs notably from the one before.

    That is when an end of its interval came or went, or moved by a fifth of its width or more.
    """
    if before is None:
        return True
    for now, then in ((estimate.low, before.low), (estimate.high, before.high)):
        if (now is None) is not (then is None):
            return True
    moved = max(
        abs((now or 0) - (then or 0))
        for now, then in ((estimate.low, before.low), (estimate.high, before.high))
    )
    width = (estimate.high or 0) - (estimate.low or 0)
    return 5 * moved > max(width, 1)
