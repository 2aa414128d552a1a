"""A-scans of simulated walls against the physics they are made of."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.signal import gausspulse

from swathe_simulators.echoes import Pulse, ascans, digitise


def scans(thickness: Any, **changes: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return noiseless A-scans of 10.24 µs at 100 MS/s, unless told otherwise."""
    settings: dict[str, Any] = {
        "pulse": Pulse(frequency_mhz=5.0),
        "velocity_mm_per_us": 5.92,
        "zero_offset_us": 0.25,
        "sampling_mhz": 100.0,
        "samples": 1024,
        "random": np.random.default_rng(1),
    }
    return ascans(thickness, **(settings | changes))


@pytest.mark.parametrize("bandwidth", [0.3, 0.6, 0.8])
def test_pulse_is_scipys_gaussian_pulse(bandwidth: float) -> None:
    """The pulse is `scipy.signal.gausspulse` (scipy 1.17.1) of the same -6 dB bandwidth."""
    time = np.linspace(-1.0, 1.0, 401)
    ours = Pulse(frequency_mhz=5.0, bandwidth=bandwidth, amplitude_percent=80.0).at(time)
    theirs = 80.0 * gausspulse(time * 1e-6, fc=5e6, bw=bandwidth, bwr=-6)
    assert np.allclose(ours, theirs, atol=1e-9)


def test_pulse_phase_turns_the_cosine() -> None:
    """Half a turn makes a peak a trough; a quarter of a turn makes it a falling zero."""
    top = np.zeros(1)
    assert Pulse(frequency_mhz=5.0, phase_deg=180.0).at(top) == pytest.approx([-80.0])
    quarter = Pulse(frequency_mhz=5.0, phase_deg=90.0)
    assert quarter.at(top) == pytest.approx([0.0], abs=1e-9)
    assert quarter.at(np.array([0.01]))[0] < 0


@pytest.mark.parametrize("name", ["frequency_mhz", "bandwidth"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_pulse_that_is_none_is_refused(name: str, value: float) -> None:
    """Frequency and bandwidth are above zero."""
    with pytest.raises(ValueError, match=rf"'{name}' must be > 0 \(got "):
        Pulse(**({"frequency_mhz": 5.0} | {name: value}))


def test_ascans_place_echoes_between_samples() -> None:
    """Each A-scan is the pulse at 0.25 + 2·d/5.92 µs and its weaker copies, at every sample."""
    wall = np.array([2.5, 5.0, 10.0])
    time = np.arange(1024) / 100.0
    pulse = Pulse(frequency_mhz=5.0)
    got = scans(wall, attenuation=0.5, back_walls=2)
    # 2d/v + zero worked out by hand: 1.094594595, 1.939189189, 3.628378378 µs.
    for row, first in zip(got, [1.094594595, 1.939189189, 3.628378378], strict=True):
        expected = pulse.at(time - first) + 0.5 * pulse.at(time - 2 * first + 0.25)
        assert np.allclose(row, expected, atol=1e-4)


def test_ascans_echoes_that_overlap_add() -> None:
    """The A-scan of two back walls is the sum of the A-scans of one and of the other."""
    both = scans([1.0], back_walls=2, attenuation=0.7)
    one = scans([1.0], back_walls=1)
    other = scans([2.0], back_walls=1)
    assert np.allclose(both, one + 0.7 * other)


def test_ascans_start_later_shows_the_same_echo() -> None:
    """An A-scan that starts 1 µs later is the other one without its first 100 samples."""
    assert np.allclose(scans([10.0], start_us=1.0)[:, :-100], scans([10.0])[:, 100:], atol=1e-9)


def test_ascans_interface_delays_back_walls() -> None:
    """The interface echo stands at offset and path; the back walls are later by the path."""
    plain = scans([3.0])
    late = scans([3.0], interface_us=2.0, interface_percent=-40.0)
    assert late[0, 225] == pytest.approx(-40.0)
    # From 1 µs behind the interface echo on, where that one has died away.
    assert np.allclose(late[:, 325:], plain[:, 125:-200], atol=1e-3)


def test_ascans_path_of_each_row() -> None:
    """A water path may differ from row to row."""
    got = scans([3.0, 3.0], interface_us=np.array([1.0, 3.5]))
    assert got[0].argmax() == 125
    assert got[1].argmax() == 375


def test_ascans_uncoupled_keeps_only_the_interface() -> None:
    """Where sound does not get in, and where there is no wall, there is no back wall."""
    got = scans([10.0, 10.0, np.nan], coupled=np.array([True, False, True]))
    assert got[0].max() == pytest.approx(80.0, rel=0.05)
    assert not got[1:].any()
    both = scans([10.0, 10.0], coupled=np.array([True, False]), interface_us=0.5)
    assert np.allclose(both[0, :200], both[1, :200])
    assert np.abs(both[1, 300:]).max() < 1e-3


def test_ascans_noise_is_white_with_its_rms() -> None:
    """The noise has the RMS asked for, and as much of it in every quarter of the spectrum."""
    got = scans(np.full(200, np.nan), noise_percent=4.0)
    assert np.sqrt(np.mean(got**2)) == pytest.approx(4.0, rel=0.01)
    power = np.mean(np.abs(np.fft.rfft(got)[:, 1:]) ** 2, axis=0).reshape(4, -1).mean(axis=1)
    assert power == pytest.approx(np.full(4, power.mean()), rel=0.03)


def test_ascans_echo_off_the_record_is_cut() -> None:
    """Of an echo on the record's border the inner part shows, of one beyond it nothing."""
    whole = scans([10.0], back_walls=1)
    assert np.allclose(scans([10.0], back_walls=1, samples=363), whole[:, :363])
    assert not scans([10.0], back_walls=1, samples=200).any()
    assert not scans([1e6], back_walls=1).any()


def test_ascans_columns_of_different_length_are_refused() -> None:
    """One flag of coupling belongs to each wall."""
    with pytest.raises(ValueError, match=r"must be of one shape \(n,\) \(got \(2,\) and \(3,\)\)"):
        scans([1.0, 2.0], coupled=np.ones(3, np.bool_))


@pytest.mark.parametrize(
    ("bits", "expected"),
    [(8, [0, 64, 127, 127, -127, -128]), (16, [0, 16384, 32767, 32767, -32767, -32768])],
)
def test_digitise_rounds_and_clips(bits: Any, expected: list[int]) -> None:
    """Full scale is the greatest number; beyond it nothing rises any more."""
    got = digitise(np.array([0.0, 50.0, 100.0, 250.0, -100.0, -250.0]), bits=bits)
    assert got.dtype == f"int{bits}"
    assert got.tolist() == expected


def test_digitise_full_scale_sets_the_step() -> None:
    """With full scale at 127 % a code of 8 bits counts one percent."""
    got = digitise(np.array([[1.0, -35.4]]), bits=8, full_scale_percent=127.0)
    assert got.tolist() == [[1, -35]]
