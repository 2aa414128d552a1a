"""What a run does has one word on terminal, `watch`, page and MQTT."""

from __future__ import annotations

import re
from importlib import resources
from typing import get_args

import pytest

from daemon.board.test_stations import put, state
from swathe.board import Stations
from swathe.board.run_state import state_lines
from swathe.board.texts import state_text
from swathe.messages import STATE_TITLES, STATE_WORDS, RunState
from swathe.page.plan import page_words

STATES: tuple[RunState, ...] = get_args(RunState)


@pytest.mark.parametrize("name", STATES)
def test_word_is_the_same_on_every_output(name: RunState) -> None:
    """That of MQTT, in capitals where somebody has to notice it; headings are the page's own."""
    stations = Stations()
    put(stations, "state", state(state=name))
    (view,) = stations.views
    assert view.state is not None
    word = state_text(view)
    assert word.lower() == view.state.state
    assert word.isupper() == (name in ("paused", "waiting", "faulted", "offline"))
    assert page_words()["states"][name] == STATE_WORDS[name] == word
    shown = " ".join(text for text, _ in state_lines(view))
    title = page_words()["titles"].get(name)
    assert title == STATE_TITLES.get(name)
    assert title is None or title in shown
    assert title is None or not title.isupper()


def test_page_has_no_words_of_its_own_for_them() -> None:
    """Its scripts take them from the plan."""
    folder = resources.files("swathe.page") / "static"
    for path in folder.iterdir():
        if path.name.endswith((".js", ".html")):
            text = re.sub(r"//.*", "", path.read_text("utf-8"))
            assert not re.search(r"PAUSED|WAITING|FAULTED|\bFAULT\b|The plan is", text), path.name
