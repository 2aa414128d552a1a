"""A world with a commanded crawler on real ports."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from simulators.crawler.driver import Hand, motion
from swathe_simulators import Scenario, World
from swathe_simulators.crawler.machine import Crawler

Play = Callable[..., tuple[World, Crawler, Hand]]


@pytest.fixture
def play(scenario_data: dict[str, Any], tmp_path: Path) -> Iterator[Play]:
    """Return a function that starts a world and takes hold of its crawler."""
    with ExitStack() as stack:

        def start(
            *, speed: float = 4.0, seed: int = 5, rest: dict[str, Any] | None = None, **changes: Any
        ) -> tuple[World, Crawler, Hand]:
            data = {**scenario_data, "motion": motion(**changes), **(rest or {})}
            scenario = Scenario.model_validate(data)
            world = stack.enter_context(World(scenario, ports_dir=tmp_path, speed=speed, seed=seed))
            crawler = world.crawler
            assert crawler is not None
            hand = stack.enter_context(Hand(tmp_path / "crawler"))
            return world, crawler, hand

        yield start
