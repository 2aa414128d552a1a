"""A crawler that is commanded over a port of its own, in G-code that it reads by itself."""

from swathe_simulators.crawler.models import CommandedModel

__all__ = ["CommandedModel"]
