"""A crawler covers the plan: homed, scanned, gaps revisited, stopped when in doubt."""

from swathe.live.crawl.work import Crawl

__all__ = ["Crawl"]
