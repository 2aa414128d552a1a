"""The page that the daemon serves: one board about coverage, for any number of viewers."""

from swathe.page.server import Page
from swathe.page.source import BrokerHealth, CrawlerHealth, NextStep, Source

__all__ = ["BrokerHealth", "CrawlerHealth", "NextStep", "Page", "Source"]
