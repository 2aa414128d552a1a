"""Words that several reports share."""

from __future__ import annotations

__all__ = ["times"]


def times(count: int) -> str:
    """Return how often, in words: once, 2 times."""
    return "once" if count == 1 else f"{count:,} times"
