"""What the board states of several probes."""

from __future__ import annotations

import pytest

from swathe.board.texts import probes_text
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
