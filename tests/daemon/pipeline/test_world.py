"""Surveys in a simulated world: states, gaps and positions against the truth.

`tests/benchmarks/world.py` runs 50 seeds of each; here are a few of them, and the variants.
"""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from daemon.pipeline.cutting import Cut, differences, state_after
from support.world.devices import Time
from support.world.judge import Verdict, judge
from support.world.variants import VARIANTS
from support.world.worlds import Layout, make_world, standard_scene

LAYOUTS: tuple[Layout, ...] = get_args(Layout)
KNOWN: tuple[Time, ...] = ("clock", "number", "steady")


def judged(layout: Layout, time: Time, seed: int, *variants: str) -> Verdict:
    """Return what a survey makes of a scene, changed by variants."""
    scene = standard_scene(layout, time)
    for name in variants:
        scene = VARIANTS[name](scene)
    return judge(make_world(scene, seed))


def assert_true(verdict: Verdict, *, rms: float = 0.2) -> None:
    """Check that no gap is false or missed, that causes are true and positions right."""
    text = str(verdict)
    assert verdict.false_gaps == verdict.false_claims == verdict.missed_gaps == 0, text
    assert verdict.false_causes == 0, text
    assert verdict.rms <= rms, text
    assert verdict.truly > 0.8 * verdict.cells, text


@pytest.mark.slow
@pytest.mark.parametrize("layout", LAYOUTS[:1])
def test_gauge_without_rate_gives_no_false_cause(layout: Layout) -> None:
    """With the times of arrival only, cells may be missing, but for no reason that is not so."""
    verdict = judge(make_world(standard_scene(layout, "irregular"), seed=3))
    assert verdict.false_causes == 0, str(verdict)
    assert verdict.gaps > 0


@pytest.mark.slow
@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("time", KNOWN)
def test_gaps_are_true(layout: Layout, time: Time) -> None:
    """By clock, running number and steady rate no gap is false, none missed, no cause untrue."""
    assert_true(judged(layout, time, 1))


@pytest.mark.slow
@pytest.mark.parametrize(
    "variant",
    [
        "unknown",
        "9600 baud",
        "doubled",
        "roll-over",
        "text",
        "encoder by number",
        "encoder steady",
        "slow",
        "skew",
        "gauge stalls",
        "stalls",
        "restarts",
        "rates",
        "lost",
        "corrupt",
    ],
)
def test_gaps_by_number_are_true_whatever_happens(variant: str) -> None:
    """A running number is a clock and shows what is lost."""
    assert_true(judged("line", "number", 3, variant))


@pytest.mark.slow
@pytest.mark.parametrize("time", get_args(Time))
def test_result_does_not_depend_on_batches(time: Time) -> None:
    """With losses, a restart and bursts, whichever the kind of time, a journal has one result."""
    scene = replace(standard_scene("raster", time, losses=True), lines=2)
    world = make_world(VARIANTS["gauge stalls"](scene), 5)
    plain = state_after(world.station, world.entries, Cut())
    cut = Cut(seed=1, added=0.05, removed=0.5, joined=0.3, divided=0.2, advance=0.01)
    assert next(differences(plain, state_after(world.station, world.entries, cut)), None) is None
