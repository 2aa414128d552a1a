"""A crawler covers the plan: homed, scanned, gone back to what is missing, stopped when in doubt."""

from swathe.live.crawl.work import Crawl

__all__ = ["Crawl"]
