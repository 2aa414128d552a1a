"""What a run does, in words: terminal, `watch` and page take them from here, and MQTT has the states."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import get_args

from swathe.messages.models import RunState

__all__ = ["STATE_TITLES", "STATE_WORDS"]

_STATES: tuple[RunState, ...] = get_args(RunState)
# Whoever passes by has to notice them.
_NOTICED = frozenset({"paused", "waiting", "faulted", "offline"})

STATE_TITLES: Mapping[str, str] = MappingProxyType(
    {
        "paused": "PAUSED: readings belong to no cell",
        "waiting": "WAITING for a person",
        "faulted": "FAULTED: the crawler is stopped",
        "complete": "The plan is covered",
        "incomplete": "The plan is not covered",
    }
)
"""Headings of the states in which nothing is scanned, by state."""


def _word(state: RunState) -> str:
    """Return the word for a state: that of MQTT, in capitals where somebody has to notice it."""
    return state.upper() if state in _NOTICED else state


STATE_WORDS: Mapping[str, str] = MappingProxyType({state: _word(state) for state in _STATES})
"""The word for each state."""
