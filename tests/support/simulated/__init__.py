"""A machine in simulated time: the whole daemon in one thread, its clock, disk and ports from one seed.

Swathe's own code runs unchanged. What it asks of its machine is replaced at the edge of the system:
`time`, threads (`asyncio.to_thread`), the system's calls on files, and the readers of ports.
"""

from support.simulated.clock import HungError, SimulatedClock, SimulatedLoop
from support.simulated.disk import Killed, SimulatedDisk
from support.simulated.machine import Machine

__all__ = ["HungError", "Killed", "Machine", "SimulatedClock", "SimulatedDisk", "SimulatedLoop"]
