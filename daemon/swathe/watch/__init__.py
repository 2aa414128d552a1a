"""Stations seen from afar: everything here comes from a broker's messages alone."""

from swathe.watch.link import WatchLink
from swathe.watch.panel import WatchPanel

__all__ = ["WatchLink", "WatchPanel"]
