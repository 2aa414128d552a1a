"""Envelope and band-pass."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.echo_model import burst, scans
from swathe.echo import BandSettings, analytic_signal, envelope

TIMES = np.arange(512) * 0.02
BAND = BandSettings.model_validate({"centre": "5 MHz", "bandwidth": 100})


def test_envelope_of_a_burst_is_its_gaussian() -> None:
    """The envelope has no trace of the cosine, whatever its phase."""
    for phase in (0.0, 1.0, 2.0):
        wave = scans([[(5.003, 80.0)]], phase=phase)
        hill = burst(TIMES, 5.003, frequency=0.0)
        assert np.allclose(envelope(wave)[0], hill, atol=0.05)


def test_band_leaves_a_burst_where_it_is() -> None:
    """The band-pass has no delay: a symmetric burst comes out symmetric about the same time."""
    wave = scans([[(5.0, 80.0)]])
    found = analytic_signal(wave, interval_us=0.02, band=BAND).real[0]
    assert found.argmax() == 250
    assert np.allclose(found[250:350], found[250:150:-1], atol=1e-3)


@pytest.mark.parametrize(
    ("frequency", "share"),
    [(5.0, 1.0), (2.5, 10**-0.3), (7.5, 10**-0.3), (10.0, 10**-1.2), (0.0, 0.0)],
)
def test_band_is_6_db_down_at_its_ends(frequency: float, share: float) -> None:
    """At half the bandwidth from the centre a Gaussian is 6 dB down, at all of it 24 dB."""
    wave = 50 * np.cos(2 * np.pi * frequency * TIMES)[None].astype(np.float32)
    found = analytic_signal(wave, interval_us=0.02, band=BAND).real[0]
    middle = slice(100, 400)  # where the record's ends are not felt
    assert np.abs(found[middle]).max() == pytest.approx(50 * share, abs=0.05)


def test_band_does_not_join_the_ends() -> None:
    """An echo at the record's end leaves no trace at its beginning."""
    wave = scans([[(9.9, 80.0)]])
    found = envelope(wave, interval_us=0.02, band=BAND)[0]
    assert found[-1] > 2.0  # hence joined ends would show on the other side
    assert found[:300].max() < 0.1


def test_band_takes_an_offset_off() -> None:
    """A converter's offset does not come through, at the record's ends neither."""
    wave = scans([[(5.0, 80.0)]])
    plain = analytic_signal(wave, interval_us=0.02, band=BAND)
    lifted = analytic_signal(wave + np.float32(20.0), interval_us=0.02, band=BAND)
    assert np.allclose(plain, lifted, atol=1e-3)


def test_no_waveforms_have_no_envelopes() -> None:
    """An empty batch comes out empty."""
    assert envelope(np.empty((0, 64), np.float32)).shape == (0, 64)
