"""Stations on a terminal, drawn from their messages: of a broker, or of the run itself."""

from swathe.board.board import Board, Panel
from swathe.board.plain import PlainLines
from swathe.board.stations import Stations, StationView

__all__ = ["Board", "Panel", "PlainLines", "StationView", "Stations"]
