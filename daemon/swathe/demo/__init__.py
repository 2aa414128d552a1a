"""The demo of the first minute: everything simulated but Swathe itself."""

from swathe.demo.stage import DemoResult, play, write_station

__all__ = ["DemoResult", "play", "write_station"]
