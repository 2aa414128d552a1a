"""Which gaps have a message of their own where there are many, and where all of them are."""

from __future__ import annotations

import random

import numpy as np
import pytest

from swathe.live.gap_budget import GapBudget
from swathe.messages import Extent
from swathe.pipeline import GapCause, GapSnapshot


def gap(number: int, *, cells: int = 1, at: float = 0.0, open_: bool = True) -> GapSnapshot:
    """Return a gap of a line profile at a position, mm."""
    return GapSnapshot.model_validate(
        {
            "number": number,
            "status": "open" if open_ else "closed",
            "cause": GapCause.NO_SIGNAL if number % 3 else GapCause.TOO_FAST,
            "causes": {GapCause.NO_SIGNAL: cells},
            "cells": cells,
            "area": float(cells),
            "scan": (at, at + cells),
            "index": (-0.5, 0.5),
            "opened": 1_800_000_000_000_000_000,
            "closed": None if open_ else 1_800_000_000_000_000_000,
        }
    )


def test_few_gaps_all_have_one_closed_ones_too() -> None:
    """Up to the limit nothing is left out."""
    budget = GapBudget(3)
    for number in (1, 2, 3):
        budget.note(gap(number, open_=number != 2))
    assert budget.choose() == ({1, 2, 3}, set())
    assert budget.choose() == (set(), set())
    assert not budget.exceeded
    assert budget.all_shared


def test_largest_open_ones_against_sorting_them_all() -> None:
    """5,000 gaps that open, grow, shrink and close at random: the older of equal ones has it."""
    rng, budget = random.Random(5), GapBudget(50)
    known: dict[int, tuple[bool, int]] = {}
    shared: set[int] = set()
    for turn in range(5_000):
        number = rng.randint(1, 2_000)
        known[number] = rng.random() < 0.8, rng.randint(1, 40)
        budget.note(gap(number, cells=known[number][1], open_=known[number][0]))
        if turn % 97:
            continue
        added, removed = budget.choose()
        assert not added & shared
        assert removed <= shared
        shared = (shared | added) - removed
        order = sorted(known, key=lambda n: (known[n][0], known[n][1], -n), reverse=True)
        assert shared == set(order[:50]) == budget.shared
    assert budget.open_count == sum(is_open for is_open, _ in known.values())
    assert budget.open_cells == sum(cells for is_open, cells in known.values() if is_open)
    assert budget.open_shared == 50


def test_nearest_are_among_them_however_small() -> None:
    """A fifth is kept for those nearest to the probe; they follow it, closed ones never."""
    budget = GapBudget(10)
    for number in range(1, 101):
        budget.note(gap(number, cells=2 + number % 7, at=10.0 * number))
    budget.note(gap(50, at=500.0))
    budget.note(gap(51, at=510.0))
    budget.look_round(505.0, None)
    budget.choose()
    assert {50, 51} < budget.shared
    assert len(budget.shared) == 10
    budget.look_round(None, None)
    budget.note(gap(50, at=500.0, open_=False))
    budget.choose()
    assert 50 not in budget.shared
    assert 51 in budget.shared
    budget.look_round(805.0, 300.0)
    budget.choose()
    assert not {50, 51} & budget.shared
    assert {80, 81} & budget.shared


def test_blocks_count_every_open_gap_where_it_is() -> None:
    """Gaps and cells of the blocks add up, each within its block; empty blocks are left out."""
    rng, budget = np.random.default_rng(3), GapBudget(10)
    places = rng.uniform(0.0, 990.0, 400)
    for number, at in enumerate(places, 1):
        budget.note(gap(number, cells=1 + number % 5, at=float(at), open_=number % 4 > 0))
    blocks = budget.blocks((-0.5, 999.5), (-0.5, 0.5), 1)
    assert sum(block.gaps for block in blocks) == budget.open_count == 300
    assert sum(block.cells for block in blocks) == budget.open_cells
    assert all(block.gaps for block in blocks)
    middles = [at + (1 + n % 5) / 2 for n, at in enumerate(places, 1) if n % 4]
    for block in blocks:
        inside = sum(block.scan.low <= middle < block.scan.high for middle in middles)
        assert inside == pytest.approx(block.gaps, abs=1)  # borders are rounded to 0.001 mm
    assert blocks[0].index == Extent(-0.5, 0.5)
    assert len(blocks) <= 128
    assert sum(budget.open_causes.values()) == 300
