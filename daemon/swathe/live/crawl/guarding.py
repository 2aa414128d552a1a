"""The process that stops the crawler when this one cannot: given the port, and signs of life."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from swathe.journal import Sent
from swathe_drivers import DriverUsageError, PortError, PortState
from swathe_drivers.motion import MotionPort, StopGuard

__all__ = ["Guarding"]

# Later than the thread that watches the loop, which stops by the port's own rules where it can run.
_SECONDS = 1.25


class Guarding:
    """Keeps the process of one machine's port; harmless where the system can have none.

    Args:
        port: of the machine.
        on_sent: takes what the process sent, for the journal.
    """

    def __init__(self, port: MotionPort, on_sent: Callable[[Sent], None]) -> None:
        self._port, self._on_sent = port, on_sent
        self._guard = StopGuard(_SECONDS)

    def start(self) -> None:
        """Start the process, before the port is opened."""
        if self._guard.available():
            self._guard.start()

    def port_changed(self, state: PortState) -> None:
        """Give the process the port, or have it close what is lost; in the port's threads."""
        if state is PortState.OPEN:
            self._entrust()
        elif state in (PortState.LOST, PortState.CLOSED):
            self._guard.take_port()

    def beat(self, *, moves: bool) -> list[str]:
        """Give a sign of life; return what the process did, each as a text that is a fault."""
        self._guard.beat(moves=moves)
        faults = []
        for report in self._guard.reports():
            silent = f"no turn of the daemon's loop for {report.silent / 1e6:,.0f} ms"
            if report.sent is None:
                faults.append(f"{silent}, and no stop could be sent: {report.problem}")
            else:
                stop = self._port.codec.stop(half_sent=True).data
                self._on_sent(Sent(report.sent, self._port.name, stop))
                faults.append(f"{silent}: a process of its own sent the stop")
        if self._guard.ended:
            faults.append("the process that stops the crawler when the daemon cannot has ended")
            self._guard.start()
            self._entrust()
        return faults

    def expect(self, *, moves: bool) -> None:
        """Let the process know at once whether signs of life are expected from now on."""
        self._guard.beat(moves=moves)

    def close(self) -> None:
        """End the process, after the port."""
        self._guard.close()

    def _entrust(self) -> None:
        with contextlib.suppress(PortError, DriverUsageError, OSError):
            self._port.entrust(self._guard)
