"""The page that the daemon serves: one board about coverage, for any number of viewers."""

from swathe.page.server import Page
from swathe.page.source import BrokerHealth, Source

__all__ = ["BrokerHealth", "Page", "Source"]
