"""An A-scan as it is looked at, next to what `measure` finds and to how the echoes were made."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from daemon.echo_model import scans, settings
from swathe.echo import AscanView, EchoSettings, measure, view_ascan

INTERFACE = {"name": "entry", "start": "0.2 us", "width": "2 us"}


def viewed(echoes: list[tuple[float, float]], asked: EchoSettings, start: float = 0.0) -> AscanView:
    """Return the view of one A-scan at 50 MS/s."""
    wave = scans([echoes], start=start)[0]
    return view_ascan(wave, interval_us=0.02, start_us=start, settings=asked)


@pytest.mark.parametrize("kind", ["flank", "peak", "zero_crossing"])
@pytest.mark.parametrize("polarity", ["positive", "negative"])
def test_points_are_those_of_measure(kind: str, polarity: str) -> None:
    """Time and amplitude are those of `measure`; the level is that of the trace at the time."""
    asked = settings({"measure": kind, "polarity": polarity, "threshold": 40})
    sign = -1 if polarity == "negative" else 1
    view = viewed([(3.003, 80.0 * sign)], asked)
    found = measure(scans([[(3.003, 80.0 * sign)]]), interval_us=0.02, start_us=0.0, settings=asked)
    (gate,) = view.gates
    assert gate.time == view.time_of_flight == found.time_of_flight[0]
    assert view.amplitude == found.amplitude[0]
    assert gate.levels == (40.0 * sign,)
    top = {"flank": 40.0 * sign, "zero_crossing": 0.0}.get(kind)
    if top is None:  # the peak of the samples themselves, by scipy
        (at, *_), shape = find_peaks(sign * view.trace, height=40)
        top = sign * float(shape["peak_heights"].max())
        assert at > 0
    assert gate.level == pytest.approx(top, abs=1.5)
    assert view.problem == gate.problem == ""


def test_either_half_cycle_has_two_levels() -> None:
    """A threshold that applies to both half cycles is drawn at both levels."""
    (gate,) = viewed([(3.0, 80.0)], settings({"measure": "peak", "polarity": "either"})).gates
    assert gate.levels == (20.0, -20.0)


def test_gate_after_the_interface_is_where_its_echo_is() -> None:
    """A gate that follows an echo begins so long after the measured point, not after time zero."""
    asked = settings(
        INTERFACE, {"start": "1 us", "width": "3 us", "after": "entry"}, interface="entry"
    )
    entry, wall = viewed([(1.0, 80.0), (3.5, 60.0)], asked).gates
    assert entry.time == pytest.approx(1.05, abs=1e-3)
    assert wall.begin == pytest.approx(2.05, abs=1e-3)
    assert wall.end == pytest.approx(5.05, abs=1e-3)
    view = viewed([(3.5, 60.0)], asked)
    assert (view.gates[1].begin, view.gates[1].end, view.gates[1].amplitude) == (None, None, None)
    assert view.gates[1].problem == "has no place: no echo in gate 'entry'"
    assert view.time_of_flight is None
    assert view.problem == "gate 'entry': no echo reaches 20 %"


def test_gate_that_leaves_the_record_with_its_echo() -> None:
    """A gate whose echo comes so late that it would end behind the A-scan is not drawn."""
    asked = settings(
        {"name": "entry", "start": "0.2 us", "width": "6 us"},
        {"start": "1 us", "width": "3 us", "after": "entry"},
        interface="entry",
    )
    wave = scans([[(6.0, 80.0)]], samples=512)[0]
    gate = view_ascan(wave, interval_us=0.02, start_us=0.0, settings=asked).gates[1]
    assert gate.begin == pytest.approx(7.05, abs=1e-3)
    wave = scans([[(6.0, 80.0)]], samples=512, start=-0.02)[0]
    with pytest.raises(ValueError, match="must end within the A-scan"):
        view_ascan(wave[:500], interval_us=0.02, start_us=-0.02, settings=asked)


@pytest.mark.parametrize(
    ("echoes", "problem"),
    [
        ([], "gate 'A': no echo reaches 20 %"),
        ([(3.0, 19.0)], "gate 'A': no echo reaches 20 %"),
        ([(3.0, 130.0)], "gate 'A': the echo is clipped: lower the gain"),
        ([(1.0, 80.0)], "gate 'A': shows only a part of an echo: move or widen it"),
    ],
)
def test_problem_is_named(echoes: list[tuple[float, float]], problem: str) -> None:
    """What keeps an A-scan from a time of flight that can be trusted is said with the gate."""
    assert viewed(echoes, settings()).problem == problem


def test_trace_is_the_one_that_is_measured() -> None:
    """With a band-pass the trace is the one behind it, whose top is the amplitude; else the A-scan."""
    echoes = [(3.0, 80.0)]
    plain = viewed(echoes, settings())
    assert not plain.band_passed
    assert np.array_equal(plain.trace, scans([echoes])[0])
    band = viewed(echoes, settings({"measure": "peak"}, band={"centre": "5 MHz", "bandwidth": 60}))
    assert band.band_passed
    assert band.amplitude == pytest.approx(float(band.trace.max()), abs=0.5)
    assert band.amplitude is not None
    assert band.amplitude < 70


def test_start_of_the_record_moves_everything() -> None:
    """Times are from time zero, wherever the record begins."""
    view = viewed([(3.0, 80.0)], settings(), start=0.5)
    assert view.time_of_flight == pytest.approx(3.05, abs=1e-3)
    assert view.end_us == pytest.approx(0.5 + 511 * 0.02)
