"""From where a command came."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Origin"]


class Origin(StrEnum):
    """From where a command came, as the journal and replies write it."""

    TERMINAL = "at the terminal"
    PAGE = "from the page"
    MQTT = "over MQTT"
