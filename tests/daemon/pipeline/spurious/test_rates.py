"""Hits and false alarms of the rules on simulated walls; tests/benchmarks/spurious.py has the table."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.pipeline.spurious.walls import KINDS, WALLS, flags_of, judge, random_wall
from swathe.reading_flags import SPURIOUS_BITS

RUNS = 40
LEAST_HITS = {"flat": 0.99, "tapered": 0.99, "laminated": 0.95, "pitted": 0.85, "rough": 0.6}
MOST_FALSE = {"flat": 1e-4, "tapered": 1e-4, "laminated": 1e-4, "pitted": 2e-3, "rough": 5e-4}


@pytest.mark.parametrize("kind", WALLS)
def test_spurious_readings_are_found_and_good_ones_are_left(kind: str) -> None:
    """And a pit one beam wide is never hidden: confirmed, or listed with only thinner ones before."""
    rng = np.random.default_rng(16)
    hits = injected = false = good = 0
    for _ in range(RUNS):
        wall = random_wall(kind, rng)
        judged = judge(wall)
        is_flagged = (judged.quality & np.uint16(SPURIOUS_BITS)) > 0
        is_good = np.ones(is_flagged.shape, bool)
        is_good[wall.pit] = False
        for name in KINDS:
            cells = wall.spurious[name]
            is_good[cells] = False
            injected += cells.size
            hits += int(np.count_nonzero(judged.quality[cells] & np.uint16(flags_of(name))))
        false += int(np.count_nonzero(is_flagged & is_good))
        good += int(np.count_nonzero(is_good))
        read = wall.read.ravel()
        if judged.unconfirmed[wall.pit]:
            before = judged.listed[: judged.listed.index(wall.pit)]
            assert (read[before] <= read[wall.pit]).all()
        else:
            assert read[judged.minimum] <= read[wall.pit]
        assert judged.raw == int(np.argmin(read))
    assert hits / injected >= LEAST_HITS[kind]
    assert false / good <= MOST_FALSE[kind]
