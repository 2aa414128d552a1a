"""The next step by hand of a survey with several probes, from what came over their ports."""

from __future__ import annotations

from daemon.handmade import feed, opened, station
from daemon.pipeline.test_probes import drive, text_of
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.pipeline import Pipeline

OFFSETS = {"gauge": (0.0, 0.0), "b": (3.0, 1.0), "c": (0.0, 2.0)}


def test_step_puts_the_datum_where_a_live_probe_passes_the_rows_of_a_dead_one() -> None:
    """Probe c has no echo on two passes; the nearer of its rows is passed by another one."""
    text = text_of(OFFSETS)
    pipeline = Pipeline(station(text))
    first = words_by_hand(pipeline, step_by_hand(pipeline, (None, None)))
    assert first == "carriage at index 0 mm, from -3 to 20 mm: lines 0 to 2"
    legs = [(-4.0, 0.0), (24.0, 0.0), (24.0, 3.0), (-4.0, 3.0)]
    feed(pipeline, [opened(text), *drive(OFFSETS, legs, lambda n, _x, _y: "N" if n == 2 else 10.0)])
    assert pipeline.dead_probes == frozenset({2})
    assert pipeline.position == (-4.0, 3.0)
    assert words_by_hand(pipeline, step_by_hand(pipeline, pipeline.position)) == (
        "carriage at index 2 mm, from 0 to 20 mm: line 2 again; no signal: mind the coupling; "
        "the carriage 1 mm back; 21 mm missing"
    )
    # Where probe c would be on its row the carriage is moved by a row all the same.
    step = step_by_hand(pipeline, (-4.0, 0.0))
    assert (step.rows, step.index) == ((2,), 1.0)
