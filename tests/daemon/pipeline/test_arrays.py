"""Several probes in a simulated world: places, cells, gaps and causes against the truth.

One, four and sixteen probes; ports that multiplex in several ways, and ports of their own; a carriage that
turns; and what is wrong with single probes.
"""

from __future__ import annotations

from typing import Any

import pytest

from daemon.pipeline.cutting import Cut, differences, state_after
from support.arrays.judge import ArrayVerdict, Judged, judge_array
from support.arrays.scenes import ArrayScene, array_world
from swathe.pipeline import CellState

TURNING = {"swing_deg": 15.0, "along_mm": 160.0}


def judged(**scene: Any) -> Judged:
    """Return what a survey makes of a scene: 64 mm in one pass, but for what is said."""
    return judge_array(array_world(ArrayScene(**{"length_mm": 64.0, "passes": 1, **scene})))


def assert_true(verdict: ArrayVerdict) -> None:
    """Check that places, values, gaps and causes are true; noise of a reading is 0.009 mm."""
    text = str(verdict)
    assert verdict.false_gaps == verdict.false_claims == verdict.missed_gaps == 0, text
    assert verdict.false_causes == verdict.wrong_probe == 0, text
    assert verdict.rms < 0.03, text
    assert verdict.most < 0.2, text
    assert verdict.thickness < 0.05, text
    assert verdict.compared == verdict.measured, text
    assert verdict.unplaced < 0.02 * verdict.readings, text


@pytest.mark.parametrize(
    ("probes", "ports"),
    [
        (1, "input"),
        (1, "separate"),
        (4, "input"),
        (4, "turns"),
        (4, "values"),
        (4, "separate"),
        (4, "mixed"),
        (4, "combined"),
        (16, "turns"),
        (16, "frame"),
    ],
)
def test_all_is_measured_where_it_was(probes: int, ports: Any) -> None:
    """However many probes, and however their readings come."""
    verdict = judged(probes=probes, ports=ports, passes=1 if probes > 1 else 2).verdict
    assert_true(verdict)
    assert verdict.measured == verdict.truly == verdict.cells
    assert verdict.gaps == 0


@pytest.mark.parametrize("ports", ["input", "frame", "separate"])
def test_a_carriage_that_turns_has_its_probes_where_they_are(ports: Any) -> None:
    """By offsets that turn with the heading; without the heading they would be millimetres off."""
    verdict = judged(ports=ports, heading=TURNING, passes=2).verdict
    assert_true(verdict)
    assert verdict.measured == verdict.cells


def test_a_carriage_that_turns_far_leaves_what_its_probes_miss() -> None:
    """At 60 degrees rows are half as far apart: what is between two passes is a gap, and nothing else."""
    scene = {"heading": {"start_deg": 60.0, "swing_deg": 0.0}, "ahead_mm": 0.0, "passes": 2}
    verdict = judged(probes=8, ports="frame", **scene).verdict
    assert_true(verdict)
    assert verdict.gaps > 0
    assert verdict.measured < 0.9 * verdict.cells


def test_line_of_a_dead_probe_is_missing_and_no_other() -> None:
    """From the moment on at which it died; the others measure on."""
    dead = {"kind": "dead_probe", "probe": "p1", "from_s": 0.9}
    found = judged(ports="values", faults=(dead,), length_mm=96.0)
    assert_true(found.verdict)
    states = found.pipeline.grid.state.reshape(found.pipeline.grid.shape)
    assert (states[[0, 2, 3]] == CellState.MEASURED).all()
    assert (states[1] == CellState.NO_SIGNAL).sum() > 15
    assert states[1, 0] == CellState.MEASURED


def test_weak_probe_leaves_single_cells() -> None:
    """Those in which none of its readings had an echo."""
    weak = {"kind": "weak_probe", "probe": "p2", "lost_share": 0.6}
    found = judged(ports="turns", faults=(weak,), length_mm=96.0, seed=4)
    assert_true(found.verdict)
    states = found.pipeline.grid.state.reshape(found.pipeline.grid.shape)
    assert (states[[0, 1, 3]] == CellState.MEASURED).all()
    assert 0 < (states[2] == CellState.NO_SIGNAL).sum() < 20


def test_too_fast_leaves_what_no_probe_read() -> None:
    """Each probe skips cells of its own."""
    verdict = judged(ports="input", speed=700.0, rate_hz=80.0, length_mm=160.0).verdict
    assert verdict.false_gaps == verdict.false_claims == verdict.missed_gaps == 0, verdict
    assert verdict.false_causes == verdict.wrong_probe == 0, verdict
    assert verdict.gaps > 0


@pytest.mark.parametrize("kind", ["offset", "swapped", "late"])
def test_what_the_station_file_has_wrong_is_seen_by_this_judge(kind: str) -> None:
    """An untrue offset, swapped cables and an unknown delay put readings where they were not."""
    faults = {
        "offset": {"kind": "probe_offset", "probe": "p1", "index_mm": 4.0},
        "swapped": {"kind": "swapped_probes", "probes": ["p0", "p3"]},
        "late": {"kind": "late_probe", "probe": "p1", "delay_ms": 30},
    }
    verdict = judged(ports="frame", faults=(faults[kind],)).verdict
    assert verdict.most > 3.0
    assert verdict.unplaced < 0.02 * verdict.readings


def test_result_does_not_depend_on_batches() -> None:
    """Advanced on each tick, or for all of the journal at once."""
    world = array_world(ArrayScene(ports="mixed", heading=TURNING, length_mm=32.0, passes=1))
    plain = state_after(world.station, world.entries, Cut())
    cut = Cut(seed=1, added=0.05, removed=0.5, joined=0.3, divided=0.2, advance=0.01)
    assert next(differences(plain, state_after(world.station, world.entries, cut)), None) is None
