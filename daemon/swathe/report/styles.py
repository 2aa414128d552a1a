"""Colours and hatches of the cell states in every picture, and the notes below it."""

from __future__ import annotations

from swathe.pipeline import CellState

__all__ = ["MEASURED_ONLY", "MOTION_CAUTION", "STATE_STYLES", "state_name"]

# Hatches distinguish the states without colour; tints are from a palette made for colour-blind
# readers (B. Wong, Nature Methods 8, 441, 2011; from memory).
STATE_STYLES: dict[CellState, tuple[str, str]] = {
    CellState.UNVISITED: ("#ffffff", "...."),
    CellState.UNCERTAIN: ("#c9b394", "--"),
    CellState.SKIPPED: ("#e69f00", "////"),
    CellState.NO_SIGNAL: ("#d55e00", "oo"),
    CellState.MEASURED: ("#cfe3ee", ""),
    CellState.SUSPECT: ("#cc79a7", "xx"),
    CellState.EXCLUDED: ("#9a9a9a", "++"),
}

MEASURED_ONLY = (
    "Measured values only; no statement of fitness for service. "
    "Local codes and a licensed practitioner decide."
)

MOTION_CAUTION = (
    "Swathe is no emergency stop and no safety system. Site rules and a hard-wired stop come "
    "first: have it within reach, keep people clear of the crawler and its cable, and secure it "
    "against falling."
)


def state_name(state: CellState) -> str:
    """Return the name of a state as text."""
    return state.name.lower().replace("_", " ")
