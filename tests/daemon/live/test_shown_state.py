"""What everybody is shown while a survey is exchanged for the same one placed again."""

from __future__ import annotations

from collections.abc import Collection
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from daemon.handmade import START, opened, station_text
from swathe.live.link import BrokerLink
from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.live.run_state import DecidedState
from swathe.live.session import Session
from swathe.live.shown_state import ShownState
from swathe.messages import StateMessage
from swathe.pipeline import Pipeline
from swathe.station import parse_station

TEXT = station_text()


class PlayedLink:
    """A link to a broker that takes messages when a test lets it."""

    state = "connected"

    def __init__(self) -> None:
        self.waiting = True

    def unpublished(self, topics: Collection[str]) -> set[str]:
        """Return all topics, or none."""
        return set(topics) if self.waiting else set()


def survey() -> Pipeline:
    """Return a survey with a gap."""
    pipeline = Pipeline(parse_station(TEXT, "bench.toml"))
    pipeline.feed(opened(TEXT, time=START))
    pipeline.coverage.gaps.add(np.arange(3), 0)
    pipeline.coverage.gaps.settle()
    return pipeline


@pytest.mark.parametrize("link", [PlayedLink(), None])
def test_state_is_resuming_until_the_broker_has_the_whole_survey(link: PlayedLink | None) -> None:
    """Whoever reads along may have messages of both until then; without a broker nobody does."""
    mirror, before, after = Mirror(), survey(), survey()
    session = cast("Session", SimpleNamespace(survey="s1"))
    shown = ShownState(
        before.station,
        mirror,
        session,
        process="aa11",
        link=lambda: cast("BrokerLink | None", link),
    )
    shown.update(DecidedState("scanning", "before the survey is resumed"))
    assert not mirror.messages
    shown.publisher = Publisher(mirror, before, progress_interval_ns=1)
    shown.publisher.put_all()

    def state() -> tuple[str, str]:
        message = mirror.messages[Publisher(mirror, before, progress_interval_ns=1).topics.state]
        assert isinstance(message, StateMessage)
        return message.state, message.reason

    shown.update(DecidedState("scanning", "homing"))
    assert state() == ("scanning", "homing")
    shown.stage(after)
    assert state() == ("scanning", "homing")
    shown.replace(before, "with a delay of 47.0 ms")
    replaced = "resuming", "placed again with a delay of 47.0 ms: the messages of it follow"
    assert state() == replaced
    shown.update(DecidedState("scanning", "homing"))
    assert state() == (replaced if link else ("scanning", "homing"))
    if link is not None:
        link.waiting = False
        shown.update(DecidedState("scanning", "homing"))
    assert state() == ("scanning", "homing")
    shown.update(DecidedState("scanning", ""))
    assert state() == ("scanning", "")
