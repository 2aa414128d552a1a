"""The table [echo]: what is accepted, and in which words the rest is refused."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import pytest
from pydantic import ValidationError

from daemon.echo_model import settings
from swathe.echo import EchoMeasure, EchoMode, EchoSettings, Polarity
from swathe.echo import settings as module

B = {"name": "B", "start": "3 us"}


def test_example_of_the_documentation_is_valid() -> None:
    """The table that the module's docstring shows is one."""
    text = re.search(r"::\n\n(.+?)\n\nWith", module.__doc__ or "", re.DOTALL)
    assert text is not None
    found = EchoSettings.model_validate(tomllib.loads(text[1])["echo"])
    assert found.mode is EchoMode.FIRST_BACK_WALL
    assert found.time_of_flight == ("back wall",)
    assert found.band is not None
    assert (found.band.centre, found.band.upper) == (5.0, 8.0)
    assert found.gate[0].measure is EchoMeasure.ZERO_CROSSING
    assert found.gate[0].polarity is Polarity.POSITIVE


def test_units_are_read() -> None:
    """Times have any unit, thresholds are percent, bare or with their sign."""
    gate = settings({"start": "500 ns", "width": "0.01 ms", "threshold": "35 %"}).gate[0]
    assert (gate.start, gate.width, gate.threshold) == (0.5, 10.0, 35.0)


def test_parent_is_zero_interface_or_gate() -> None:
    """A gate comes after time zero, the interface's gate or another one."""
    found = settings(
        {"name": "front"},
        {"name": "A", "after": "interface"},
        {"name": "B", "after": "A"},
        interface="front",
    )
    assert [found.parent(gate) for gate in found.gate] == [None, "front", "A"]


@pytest.mark.parametrize(
    ("gates", "changes", "message"),
    [
        ([{}, {}], {}, "must have gates of different names ('A' is there 2 times)"),
        ([{}], {"interface": "C"}, "must name a gate as 'interface' ('C' is none of 'A')"),
        (
            [{"name": "interface"}, {}],
            {},
            "must have interface = 'interface', or another name for the gate 'interface'",
        ),
        (
            [{"after": "interface"}],
            {},
            "must name a gate as 'interface', since gate 'A' comes after it",
        ),
        (
            [{"after": "B"}, B],
            {},
            "must list a gate behind the one that it comes after ('A' comes after 'B', before it: none)",
        ),
        ([{"after": "A"}], {}, "('A' comes after 'A', before it: none)"),
        ([{}], {"time_of_flight": "C"}, "must name gates in 'time_of_flight' ('C' is none of 'A')"),
        (
            [{}, B],
            {"interface": "A"},
            "must name back walls' gates in 'time_of_flight' ('A' is the interface's)",
        ),
        (
            [{}, B],
            {"time_of_flight": ["A", "B"]},
            "must name one gate in 'time_of_flight' for mode 'first back wall' (got 'A', 'B')",
        ),
        ([{}], {"time_of_flight": []}, "(got none)"),
        (
            [{}, B],
            {"mode": "echo to echo"},
            "must name two gates in 'time_of_flight' for mode 'echo to echo' (got 'A')",
        ),
        (
            [{}, B],
            {"mode": "echo to echo", "time_of_flight": ["A", "A"]},
            "must name two gates in 'time_of_flight'",
        ),
        (
            [{}, B],
            {"mode": "echo to echo", "time_of_flight": ["B", "A"]},
            "must name the earlier gate first in 'time_of_flight' ('B' starts at 3 us, 'A' at 1 us)",
        ),
        (
            [{"threshold": 90}],
            {"saturation": 90},
            "must have thresholds below 'saturation', 90 % (gate 'A' has 90 %)",
        ),
        (
            [{"polarity": "either"}],
            {},
            "must have polarity 'positive' or 'negative' for measure 'zero_crossing'",
        ),
        ([{"name": "zero"}], {}, "must have another name than 'zero', which is time zero"),
        (
            [{"measure": "peak"}],
            {"rectified": True, "band": {"centre": "5 MHz"}},
            "must have no 'band' when 'rectified'",
        ),
        (
            [{}],
            {"rectified": True},
            "must have measure 'flank' or 'peak' when 'rectified' (gate 'A' has 'zero_crossing')",
        ),
        (
            [{"measure": "flank", "polarity": "negative"}],
            {"rectified": True},
            "must have no polarity 'negative' when 'rectified' (gate 'A' has)",
        ),
    ],
)
def test_gates_that_do_not_fit_are_refused(
    gates: list[dict[str, Any]], changes: dict[str, Any], message: str
) -> None:
    """Each contradiction is told with the gate that it is about."""
    with pytest.raises(ValidationError, match=re.escape(message)):
        settings(*gates, **changes)


@pytest.mark.parametrize(
    ("gate", "key"),
    [
        ({"start": "-1 us"}, "start"),
        ({"width": 0}, "width"),
        ({"width": "3 mm"}, "width"),
        ({"threshold": 0}, "threshold"),
        ({"measure": "middle"}, "measure"),
        ({"name": ""}, "name"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_values_out_of_range_are_refused_at_their_key(gate: dict[str, Any], key: str) -> None:
    """A single bad value is told at its own place."""
    with pytest.raises(ValidationError) as caught:
        settings(gate)
    assert [error["loc"] for error in caught.value.errors()] == [("gate", 0, key)]


def test_no_gate_is_refused() -> None:
    """Without a gate there is nothing to measure."""
    with pytest.raises(ValidationError, match="must have at least one gate"):
        EchoSettings.model_validate({"gate": [], "time_of_flight": "A"})


@pytest.mark.parametrize("band", [{"centre": 0}, {"centre": "5 MHz", "bandwidth": 201}])
def test_band_out_of_range_is_refused(band: dict[str, Any]) -> None:
    """A band has a centre, and is at most so wide as to begin at zero."""
    with pytest.raises(ValidationError):
        settings(band=band)
