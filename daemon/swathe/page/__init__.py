"""The page that the daemon serves: the live state of a survey, for any number of viewers."""

from swathe.page.server import Page
from swathe.page.source import BrokerHealth, HandGuidance, Opening, Source

__all__ = ["BrokerHealth", "HandGuidance", "Opening", "Page", "Source"]
