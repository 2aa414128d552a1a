"""Surveys in a simulated world: states, gaps and positions against the truth."""

from __future__ import annotations

from typing import get_args

import pytest

from support.world.judge import Verdict, judge
from support.world.worlds import Layout, make_world, standard_scene

LAYOUTS = get_args(Layout)


def assert_true(verdict: Verdict, *, rms: float = 0.15) -> None:
    """Check that no gap is false or missed, and that positions are right."""
    text = str(verdict)
    assert verdict.false_gaps == verdict.false_claims == verdict.missed_gaps == 0, text
    assert verdict.false_causes == 0, text
    assert verdict.rms <= rms, text
    assert verdict.truly > 0.8 * verdict.cells, text


@pytest.mark.parametrize("layout", LAYOUTS)
def test_gauge_with_clock_has_true_gaps(layout: Layout) -> None:
    """With a clock in each device, no gap is false or missed."""
    assert_true(judge(make_world(standard_scene(layout, "clock"), seed=1)))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_gauge_without_rate_gives_no_false_cause(layout: Layout) -> None:
    """With the times of arrival only, cells may be missing, but for no reason that is not so."""
    verdict = judge(make_world(standard_scene(layout, "irregular"), seed=3))
    assert verdict.false_causes == 0, str(verdict)
    assert verdict.gaps > 0
