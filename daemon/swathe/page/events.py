"""Server-sent events, as the HTML standard's section 9.2 writes them down."""

from __future__ import annotations

__all__ = ["event"]


def event(name: str, data: bytes) -> bytes:
    """Return an event.

    Args:
        name: of the event.
        data: without line breaks, as JSON and base64 are.
    """
    return b"event: %s\ndata: %s\n\n" % (name.encode(), data)
