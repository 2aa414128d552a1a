"""The probe on a block of known steps: its readings live, and each step taken when they are steady."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from swathe.calibration import Stability, StabilityState
from swathe.calibration.echo_absence import EchoAbsence
from swathe.calibration.law import fill_thickness
from swathe.echo import REASON_TEXTS, AmbiguityReason
from swathe.errors import SwatheError
from swathe.journal import Chunk, PortChange, Sent
from swathe.live.ports import PortHub
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.device import DeviceLink
from swathe.station import CarriageProbe, Station, decoder_of, gauge_of, law_of

__all__ = ["BlockReader", "NotSteadyError", "SteadyReadings"]

_PUMP_SECONDS = 0.02
_SHOW_SECONDS = 0.1
# Readings sent while the probe was still being moved have arrived by then.
_SETTLE_SECONDS = 0.3


class NotSteadyError(SwatheError):
    """A step's readings did not become steady in time, or none came; the step can be tried again."""


@dataclass(frozen=True, slots=True)
class SteadyReadings:
    """Readings of one step that agree.

    Attributes:
        begin: host time of the first of them, ns.
        end: host time of the last, ns.
        state: of these readings, in µs, or in mm of an instrument that sends thickness only.
        thickness: their mean by the law in force, mm; NaN without a law.
        times: of each of them, host time, ns, shape (n,).
    """

    begin: int
    end: int
    state: StabilityState
    thickness: float
    times: NDArray[np.int64]


class BlockReader:
    """Follows the gauge of a station; an async context manager.

    Args:
        station: the station file.
        window: readings in a row that must agree.
        tolerance: greatest spread among them, µs (mm where no time of flight is sent).
        enter: is handed every entry, for the journal.
        tick: is called some twenty times a second.
        probe: of several, the one that is read; by default all that the gauge sends.

    Attributes:
        gauge: the device.
        gives_time: whether it gives times of flight.
    """

    def __init__(
        self,
        station: Station,
        *,
        window: int,
        tolerance: float,
        enter: Callable[[Chunk | PortChange | Sent], None] | None = None,
        tick: Callable[[], None] | None = None,
        probe: CarriageProbe | None = None,
    ) -> None:
        self.gauge = gauge_of(station) if probe is None else probe.device
        self._input = None if probe is None else probe.input
        device = station.device[self.gauge]
        decoder = decoder_of(device)
        self.gives_time = bool(decoder.gives & {"time_of_flight", "waveform"})
        # As the pipeline takes off its times: what of a record with positions has none of its own.
        delay_ns = device.delay_given
        if probe is not None and not decoder.combined:
            delay_ns += probe.delay_ns
        self._law = law_of(station)
        self._display = station.display
        self._link = DeviceLink(
            decoder=decoder, delay_ns=delay_ns, tally=DeviceTally(), echo=station.echo
        )
        self._hub = PortHub(station.model_copy(update={"device": {self.gauge: device}}))
        self._enter, self._tick = enter, tick
        self._window, self._tolerance = window, tolerance
        self._stability = self._new_stability()
        self._latest: NDArray[Any] | None = None
        self._absence = EchoAbsence()
        self._since = 0
        self._echoes = self._opposite = 0
        self._pump_task: asyncio.Task[None] | None = None

    @property
    def link(self) -> DeviceLink:
        """The gauge's decoder, and its newest readings."""
        return self._link

    def _new_stability(self) -> Stability:
        return Stability(
            window=self._window,
            tolerance=self._tolerance,
            unit="µs" if self.gives_time else "mm",
            display=self._display,
        )

    async def __aenter__(self) -> Self:
        self._hub.__enter__()
        self._pump_task = asyncio.create_task(self._pump(), name="block.pump")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pump_task is not None:
            self._pump_task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._pump_task
        self._hub.__exit__(kind, error, trace)
        self.drain()

    async def _pump(self) -> None:
        while True:
            self.drain()
            if self._tick is not None:
                self._tick()
            await asyncio.sleep(_PUMP_SECONDS)

    def drain(self) -> None:
        """Take in everything that has arrived by now."""
        self._hub.drain(self._take, self._take_sent)
        batch = self._link.decode()
        if batch is None or not batch.readings.size:
            return
        readings = batch.readings
        if self._input is not None:
            readings = readings[readings["probe"] == self._input]
        fill_thickness(readings, self._law)
        # A probe that lifts off starts again: readings before and after are not one step's.
        self._absence.feed(readings["time"][readings["valid"]])
        self._echoes += int(np.count_nonzero(readings["valid"]))
        lost = np.flatnonzero(~readings["valid"])
        if lost.size:
            readings = readings[lost[-1] + 1 :]
            self._restart()
        readings = readings[readings["time"] >= self._since]
        if readings.size:
            self._stability.feed(readings["time_of_flight" if self.gives_time else "thickness"])
            before = [] if self._latest is None else [self._latest]
            self._latest = np.concatenate([*before, readings])[-self._window :]

    def _take(self, entry: Chunk | PortChange) -> None:
        if self._enter is not None:
            self._enter(entry)
        if isinstance(entry, Chunk):
            self._link.take(entry.data, entry.time)
            return
        self._absence.interrupted()
        if entry.state != "closed":
            self._link.tally.state = entry.state
            self._link.tally.detail = entry.detail if entry.state != "open" else ""

    def _take_sent(self, entry: Sent) -> None:
        if self._enter is not None:
            self._enter(entry)
        if not entry.unanswered:
            self._link.send(entry.data, entry.time)

    def _restart(self) -> None:
        self._stability = self._new_stability()
        self._latest = None

    @property
    def lifted(self) -> bool:
        """Whether the echo was away since the steady readings before: the probe was lifted."""
        return self._absence.seen

    def taken(self, steady: SteadyReadings) -> None:
        """Begin to look for a lifted probe: these steady readings are a coupling's."""
        self._absence.begin(steady.times)

    async def steady(
        self, *, show: Callable[[StabilityState], None], patience: float = 30.0
    ) -> SteadyReadings:
        """Wait until the readings from now on are steady, and return them.

        Args:
            show: receives the state of the readings, some ten times a second.
            patience: seconds to wait.

        Raises:
            NotSteadyError: no readings came, or they were not steady in time; the text says why.
        """
        if self._pump_task is not None and self._pump_task.done():
            self._pump_task.result()
        self._since = time.monotonic_ns() + int(_SETTLE_SECONDS * 1e9)
        self._restart()
        self._echoes, self._opposite = 0, self._opposite_until_now
        end = time.monotonic() + patience
        while True:
            await asyncio.sleep(_SHOW_SECONDS)
            if self._pump_task is not None and self._pump_task.done():
                self._pump_task.result()  # a full disk, say, is reported as such
            state = self._stability.state
            show(state)
            if state.stable and self._latest is not None:
                self._check_polarity()
                readings = self._latest
                return SteadyReadings(
                    begin=int(readings["time"][0]),
                    end=int(readings["time"][-1]),
                    state=state,
                    thickness=float(readings["thickness"].mean()),
                    times=readings["time"].astype(np.int64),
                )
            if time.monotonic() > end:
                raise NotSteadyError(self._why(state))

    @property
    def _opposite_until_now(self) -> int:
        """Echoes so far whose highest half cycle contradicts the polarity of their gate."""
        return self._link.tally.ambiguous_by[AmbiguityReason.POLARITY.words]

    def _check_polarity(self) -> None:
        """Refuse a step that shows the polarity to be wrong: its time is off by half a cycle.

        Raises:
            NotSteadyError: half of the echoes on this step, or more, contradict it.
        """
        opposite = self._opposite_until_now - self._opposite
        if 2 * opposite >= max(self._echoes, 1):
            msg = (
                f"{self.gauge}: {opposite} of {self._echoes} echoes contradict the polarity of their gate: "
                f"{REASON_TEXTS[AmbiguityReason.POLARITY]}. Set 'polarity' of the gate in [echo], see "
                "`swathe setup`"
            )
            raise NotSteadyError(msg)

    def _why(self, state: StabilityState) -> str:
        tally = self._link.tally
        if state.readings:
            return f"{self.gauge}: not steady: {state.reason}"
        if not tally.bytes:
            reason = tally.detail or "no bytes came: is it on, and the cable right?"
        elif not tally.readings:
            reason = f"{tally.bytes:,} bytes came, but no reading: try `swathe check`"
        else:
            reason = "no echo: look at the couplant and at the gate"
        return f"{self.gauge} ({tally.state}): {reason}"
