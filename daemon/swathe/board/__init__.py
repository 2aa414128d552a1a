"""Stations on a terminal, drawn from their messages: of a broker, or of the run itself."""

from swathe.board.board import Board
from swathe.board.key_table import KEYS
from swathe.board.panel import Panel, one_line
from swathe.board.plain import PlainLines
from swathe.board.prompt import KeyQuestion, Question, Reply
from swathe.board.screen import BoardScreen
from swathe.board.spot_texts import spot_lines
from swathe.board.stations import Stations, StationView

__all__ = [
    "KEYS",
    "Board",
    "BoardScreen",
    "KeyQuestion",
    "Panel",
    "PlainLines",
    "Question",
    "Reply",
    "StationView",
    "Stations",
    "one_line",
    "spot_lines",
]
