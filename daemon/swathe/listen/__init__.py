"""Listening at one port, by itself: what ``swathe listen`` does. Imports drivers only, to be quick."""

from swathe.listen.listener import Listener, PortSnapshot, latency_text, quoted
from swathe.listen.view import LivePicture, PlainPrinter, summary

__all__ = [
    "Listener",
    "LivePicture",
    "PlainPrinter",
    "PortSnapshot",
    "latency_text",
    "quoted",
    "summary",
]
