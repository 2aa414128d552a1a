"""The asyncio shell: it owns ports, time and the broker, and feeds the pipeline."""

from swathe.live.broker import embedded_broker, free_port
from swathe.live.outcome import RunOutcome
from swathe.live.service import Daemon, Observer

__all__ = ["Daemon", "Observer", "RunOutcome", "embedded_broker", "free_port"]
