"""Stations seen from afar: everything here is learnt from a broker's messages alone."""

from swathe.watch.board import Board
from swathe.watch.link import WatchLink
from swathe.watch.plain import PlainLines
from swathe.watch.stations import Stations, StationView

__all__ = ["Board", "PlainLines", "StationView", "Stations", "WatchLink"]
