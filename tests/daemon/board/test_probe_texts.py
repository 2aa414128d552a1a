"""What the board states of several probes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from swathe.board.texts import probe_reading_lines, probes_text
from swathe.messages import ProgressMessage
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot, ProbeState


def probe(name: str, state: ProbeState, *, alone: bool = False) -> ProbeSnapshot:
    """Return what is published of a probe."""
    return ProbeSnapshot(name=name, state=state, alone=alone, last_echo=None, readings=10, echoes=5)


@pytest.mark.parametrize(
    ("states", "alone", "text"),
    [
        ("eeee", "", "echo from all 4 probes"),
        ("eene", "c", "echo from 3 of 4 probes, NO ECHO from c"),
        ("enre", "", "echo from 2 of 4 probes, none from b, c"),
        ("nnrr", "", "no echo from any of 4 probes"),
    ],
)
def test_probes_without_echo_are_named(states: str, alone: str, text: str) -> None:
    """In capitals where others have one meanwhile; all at once need no names."""
    kinds = {"e": ProbeState.ECHO, "n": ProbeState.NO_ECHO, "r": ProbeState.NO_READINGS}
    probes = [
        probe(name, kinds[state], alone=name in alone)
        for name, state in zip("abcd", states, strict=True)
    ]
    assert probes_text(probes) == text


NOW = datetime(2030, 1, 1, 10, 0, 30, tzinfo=UTC)


def progress(*probes: ProbeSnapshot) -> ProgressMessage:
    """Return a progress message with these probes."""
    facts: dict[str, Any] = {"time": NOW, "probes": probes}
    return ProgressMessage.model_construct(**facts)


def reading(name: str, *, age: float = 0.1, **changes: object) -> ProbeSnapshot:
    """Return a probe that has just read 9.876 mm, with changes."""
    newest = {
        "last_reading": NOW - timedelta(seconds=age),
        "has_echo": True,
        "thickness": 9.876,
        "scan": 123.456,
        "index": -4.0,
    }
    snapshot = probe(name, ProbeState.ECHO)
    return snapshot.model_copy(update=newest | changes)


def test_reading_and_place_of_each_probe_are_told() -> None:
    """What does not echo or comes no more is said instead of a value; never an old value."""
    lines = probe_reading_lines(
        progress(
            reading("a"),
            reading("b", has_echo=False, thickness=None),
            reading("c", age=12, state=ProbeState.NO_READINGS, thickness=None),
            reading("d", last_reading=None, thickness=None),
            reading("e", thickness=None, scan=None, index=None),
        ),
        400,
    )
    assert lines == [
        "now in mm: a 9.876 at 123.46 / -4.00 · b no echo at 123.46 / -4.00 · c NO READING FOR 12 s"
        " · d NO READING YET · e echo at an unknown place"
    ]
    assert probe_reading_lines(progress(), 400) == []


def test_places_are_left_out_where_they_take_too_many_lines() -> None:
    """The readings of sixteen probes come before their places."""
    lines = probe_reading_lines(progress(*(reading(f"p{k}") for k in range(16))), 80)
    assert len(lines) == 3
    assert " at " not in "".join(lines)
    assert "".join(lines).count("9.876") == 16
