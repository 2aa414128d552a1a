"""Gaps on the board: a stretch is one place to return to."""

from __future__ import annotations

from swathe.board.gap_list import cluster_gaps
from swathe.pipeline import GapCause, GapSnapshot


def gap(number: int, scan: tuple[float, float], row: float = 0.0, **other: object) -> GapSnapshot:
    """Return an open gap on a line of 1 mm."""
    parts: dict[str, object] = {
        "number": number,
        "status": "open",
        "cause": GapCause.TOO_FAST,
        "causes": {GapCause.TOO_FAST: 1},
        "cells": 1,
        "area": 1.0,
        "scan": scan,
        "index": (row, row + 1),
        "opened": 0,
        "closed": None,
        "end": None,
        "merged_into": None,
    }
    return GapSnapshot(**{**parts, **other})


def test_clusters_gather_a_stretch() -> None:
    """Neighbouring gaps of one cause on one line are one place; others stay apart."""
    gaps = [
        gap(1, (0, 1)),
        gap(2, (3, 4)),
        gap(3, (30, 31)),
        gap(4, (5, 6), row=1.0),
        gap(5, (1, 3), cause=GapCause.NO_SIGNAL),
    ]
    found = {tuple(c.numbers): (c.scan, c.cells) for c in cluster_gaps(gaps, reach=5)}
    assert found == {
        (1, 2): ((0, 4), 2),
        (3,): ((30, 31), 1),
        (4,): ((5, 6), 1),
        (5,): ((1, 3), 1),
    }
    assert cluster_gaps([], reach=5) == []
