"""Who is shown what the pipeline works with, beside the cells."""

from __future__ import annotations

from typing import Protocol

from swathe.pipeline.place import Placed, Way

__all__ = ["Watcher"]


class Watcher(Protocol):
    """Is shown what the pipeline works with, for what is measured on a scan beside its cells."""

    def placed(self, placed: Placed) -> None:
        """Take note of readings with their place."""
        ...

    def went(self, way: Way) -> None:
        """Take note of a piece of the probe's way."""
        ...
