"""Whether gates lie within the record is told before the scan."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.echo_model import settings
from swathe.echo import check_gates
from swathe.echo.gates import first_sample, windows


def problems(*gates: dict[str, Any], start: float = 0.0, samples: int = 512, **changes: Any) -> Any:
    """Return the problems of gates in A-scans at 50 MS/s, as texts."""
    found = check_gates(
        settings(*gates, **changes), interval_us=0.02, start_us=start, samples=samples
    )
    return [str(problem) for problem in found]


def test_gate_within_the_record_is_good() -> None:
    """A gate may end with the very last sample and start with the very first."""
    assert problems() == []
    assert problems({"start": "0 us", "width": "10.22 us"}) == []
    assert problems({"start": "0.3 us", "width": "9.94 us"}, start=0.3, samples=498) == []


def test_gate_before_the_record_is_told() -> None:
    """A gate cannot start before the A-scan."""
    assert problems(start=1.5) == [
        "'echo.gate[0].start' must not lie before the A-scan, which begins at 1.5 us (got 1.0): "
        "start the gate later or the A-scan earlier"
    ]


def test_gate_behind_the_record_is_told() -> None:
    """A gate cannot end behind the A-scan, by however little."""
    assert problems({"start": "0 us", "width": "10.23 us"}) == [
        "'echo.gate[0].width' must end within the A-scan, which ends at 10.22 us: gate 'A' ends "
        "at 10.23 us (got 10.23): make the gate narrower or the A-scan longer"
    ]


def test_gate_after_an_echo_is_judged_at_its_latest() -> None:
    """A gate that follows an echo must fit wherever that one may be."""
    front = {"name": "front", "start": "1 us", "width": "2 us"}
    wall = {"after": "interface", "start": "0.5 us", "width": "7 us"}
    assert windows(settings(front, wall, interface="front")) == {
        "front": (1.0, 3.0),
        "A": (1.5, 10.5),
    }
    assert problems(front, wall, interface="front") == [
        "'echo.gate[1].width' must end within the A-scan, which ends at 10.22 us: gate 'A' ends "
        "at 10.5 us at the latest after the echo in gate 'front' (got 7.0): "
        "make the gate narrower or the A-scan longer"
    ]
    assert problems(front, wall | {"width": "6.7 us"}, interface="front") == []


def test_gate_of_too_few_samples_is_told() -> None:
    """Three samples are not a gate."""
    assert problems({"width": "0.06 us"}) == []
    assert problems({"width": "0.05 us"}) == [
        "'echo.gate[0].width' must hold at least 4 samples of 0.02 us (got 0.05): "
        "make the gate wider"
    ]


def test_band_above_half_the_sampling_rate_is_told() -> None:
    """A band-pass ends below half the sampling rate."""
    assert problems(band={"centre": "15 MHz", "bandwidth": 60}) == []
    assert problems(band={"centre": "20 MHz", "bandwidth": 60}) == [
        "'echo.band' must end below half the sampling rate, 25 MHz: its upper -6 dB point is at "
        "26 MHz (got 20.0): lower its centre or bandwidth, or sample faster"
    ]


def test_all_problems_are_told_at_once() -> None:
    """Both ends of a gate may be wrong, and another gate too."""
    assert len(problems({}, {"name": "B", "width": "30 us"}, start=2.0, samples=100)) == 4


@pytest.mark.parametrize(
    ("shape", "message"),
    [
        ({"interval_us": 0.0}, "'interval_us' must be > 0 (got 0.0)"),
        ({"interval_us": float("nan")}, "'interval_us' must be > 0 (got nan)"),
        ({"start_us": float("inf")}, "'start_us' must be finite (got inf)"),
        ({"samples": 3}, "'samples' must be >= 4 (got 3)"),
    ],
)
def test_shapes_that_cannot_be_are_refused(shape: dict[str, Any], message: str) -> None:
    """What no A-scan can have is a mistake of the caller's."""
    good: dict[str, Any] = {"interval_us": 0.02, "start_us": 0.0, "samples": 512}
    with pytest.raises(ValueError, match="must be") as caught:
        check_gates(settings(), **(good | shape))
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("time", "sample"), [(1.0, 50), (1.001, 51), (1.02, 51), (0.0, 0), (0.58, 29)]
)
def test_first_sample_is_at_or_behind_the_time(time: float, sample: int) -> None:
    """A border on a sample belongs to it although 0.58 / 0.02 is 28.999999999999996."""
    assert first_sample(time, interval_us=0.02, start_us=0.0) == sample
