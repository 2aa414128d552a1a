"""Swathe: acquisition daemon for encoded ultrasonic thickness scans.

Rooms of this package, in the order the data walks through them (imports run one way,
from a later room to an earlier one):

``units`` · ``errors``
    lengths, times and speeds with their units; the error tree
``station``
    the station file: plan, devices, broker, storage
``journal``
    every byte that arrived, and every mark, on disk before anything else
``pipeline``
    the synchronous, deterministic function from journal entries to grid, coverage and events
``messages``
    what is said over MQTT, as versioned models
``store``
    the survey folder: zarr arrays and the survey record, derived from the pipeline
``report``
    pictures and tables of a survey
``live``
    the asyncio shell: ports, ticks, broker link, terminal
``demo`` · ``cli``
    the demo's stage; the ``swathe`` command
"""

from importlib.metadata import version

__all__ = ["__version__"]

__version__ = version("swathe")
