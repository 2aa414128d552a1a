"""Listening at one port, by itself: what ``swathe listen`` does. Imports drivers only, to be quick."""

from swathe.listen.listener import Listener, PortSnapshot, quoted
from swathe.listen.view import LivePicture, PlainPrinter, summary

__all__ = [
    "Listener",
    "LivePicture",
    "PlainPrinter",
    "PortSnapshot",
    "quoted",
    "summary",
]
