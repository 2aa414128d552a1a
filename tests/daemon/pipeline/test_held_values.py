"""A gauge that repeats its last value without an echo: what a survey makes of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daemon.pipeline.scene_devices import Gauge
from daemon.pipeline.scenes import Scene, text_of
from swathe.pipeline import CellState, Pipeline
from swathe.station import parse_station

pytestmark = pytest.mark.slow

_HOLE = (8.0, 24.0, -3.0, 7.5)
SCENE = Scene(name="held", gauge=Gauge(holds=True, held_after=4), holes=((_HOLE, 99.0),))


def after(scene: Scene, seed: int) -> Pipeline:
    """Return the survey after a scene."""
    pipeline = Pipeline(parse_station(text_of(scene), "bench.toml"))
    pipeline.collect_all(scene.journal(seed))
    pipeline.advance()
    return pipeline


def inside(pipeline: Pipeline) -> list[int]:
    """Return the states of the cells that are wholly within the region without echo."""
    states = pipeline.grid.state.reshape(pipeline.grid.shape)
    found: list[int] = np.unique(states[:2, 9:24]).tolist()
    return found


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("gauge", [SCENE.gauge, replace(SCENE.gauge, form="combined")])
def test_held_value_measures_no_cell(gauge: Gauge, seed: int) -> None:
    """The region without echo is no signal, as with a gauge that says so."""
    pipeline = after(replace(SCENE, gauge=gauge), seed)
    assert inside(pipeline) == [CellState.NO_SIGNAL]
    honest = after(replace(SCENE, gauge=replace(gauge, holds=False, held_after=None)), seed)
    assert inside(honest) == [CellState.NO_SIGNAL]


def test_held_value_counts_without_the_key() -> None:
    """The test is no empty one: this is what the key prevents."""
    pipeline = after(replace(SCENE, gauge=Gauge(holds=True)), 1)
    assert CellState.MEASURED in inside(pipeline)
