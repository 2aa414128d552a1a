"""Proposing a description from captured bytes."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.suggest.binary_formats import plain
from drivers.suggest.held_out import HELD_OUT
from drivers.suggest.held_out_again import HELD_OUT_AGAIN
from drivers.suggest.held_out_last import HELD_OUT_LAST
from drivers.suggest.judging import mistakes
from drivers.suggest.own import OWN, Device
from drivers.suggest.streams import as_chunks, wall
from drivers.suggest.thrown import throw
from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Hints, parse_shown, suggest
from swathe_drivers.suggest.series import unwrapped


@pytest.mark.parametrize("device", [*OWN, *HELD_OUT, *HELD_OUT_AGAIN], ids=lambda one: one.name)
def test_suggest_finds_known_device(device: Device) -> None:
    """The devices that the guessing was written with, or mended for, stay found."""
    assert mistakes(device) == []


@pytest.mark.slow
def test_suggest_finds_eight_of_ten_never_looked_at() -> None:
    """Devices thrown together by seeds that nothing was changed for."""
    wrong = {seed: found for seed in range(1000, 1010) if (found := mistakes(throw(seed)))}
    assert len(wrong) <= 2, wrong


@pytest.mark.slow
def test_suggest_finds_nine_of_the_last_ten_by_hand() -> None:
    """One of them, a setting fast behind a start mark, is taken for a constant."""
    wrong = {device.name: found for device in HELD_OUT_LAST if (found := mistakes(device))}
    assert set(wrong) <= {"amplified"}, wrong


def test_suggest_says_what_it_is_unsure_of() -> None:
    """What is a guess is marked in the text, with what it rests on, and asked."""
    found = suggest(OWN[0].chunks(), port={"baud": 9600})
    assert "[port]\nbaud = 9600\n" in found.text
    assert "# 4: ? guess: around" in found.text
    (unsure,) = [finding for finding in found.unsure if finding.about == "column 4"]
    assert found.guessed == (unsure,)
    assert str(unsure).startswith("column 4: thickness mm (guess): around 4.6")
    (question,) = [one for one in found.questions if one.quantity == "thickness"]
    assert "What does the display show now" in str(question)


def test_suggest_no_bytes_and_too_few_say_so() -> None:
    """Nothing comes of nothing, and the reason is told."""
    (nothing,) = suggest([]).findings
    assert nothing.what == "none"
    few = suggest([(0, b"1.25\r\n" * 4)])
    assert few.text == ""
    assert few.findings[-1].why == "fewer than 8 whole lines that are alike: capture for longer"


def test_suggest_text_with_parity_in_the_highest_bit() -> None:
    """Seven bits with even parity read as eight are recognized, and told as settings of the line."""
    source = random.Random(3)
    thickness = wall(source, 9.0)
    chunks = [
        (time, bytes(byte | 0x80 if byte.bit_count() & 1 else byte for byte in data))
        for time, data in as_chunks(
            ((n / 20, b"%.2f,%d\r\n" % (thickness(n / 20), n)) for n in range(200)), source
        )
    ]
    found = suggest(chunks)
    description = parse_description(found.text, "proposed")
    assert description.port == {"bytesize": 7, "parity": "even"}
    assert [column["is"] for column in description.protocol["columns"]] == ["thickness", "sequence"]


@pytest.mark.parametrize("cut", [0, 3, 7])
def test_suggest_binary_finds_frames_wherever_the_capture_begins(cut: int) -> None:
    """The period of frames, the bytes that never change, and fields in them."""
    device = plain()
    data = b"".join(data for _, data in device.chunks())[cut:]
    chunks = [(at * 10_000_000, data[at : at + 64]) for at in range(0, len(data), 64)]
    found = suggest(chunks, hints=Hints(shows=(parse_shown(device.shows[0]),)))
    protocol = parse_description(found.text, "proposed").protocol
    assert protocol["framing"] == {"kind": "fixed", "sync": [0xFE, 0xFE], "length": 7}
    kinds = [field["is"] for field in protocol["fields"]]
    assert kinds == ["status", "thickness", "counts"]


def test_suggest_noise_is_no_description() -> None:
    """Random bytes hold no frames, and nothing is proposed from them."""
    noise = np.random.default_rng(4).integers(0, 256, 6000, dtype=np.uint8).tobytes()
    found = suggest([(at * 10_000_000, noise[at : at + 60]) for at in range(0, 6000, 60)])
    assert found.text == ""


@settings(max_examples=150)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=60), st.text("0123456789,.;R*\r\n", max_size=60).map(str.encode)
        ),
        max_size=30,
    )
)
def test_suggest_any_bytes_never_raise(pieces: list[bytes]) -> None:
    """Whatever the bytes are, a text that comes of them loads."""
    found = suggest([(at * 1_000_000, piece) for at, piece in enumerate(pieces)])
    assert found.findings
    if found.text:
        parse_description(found.text, "proposed")


@pytest.mark.parametrize(("low", "period"), [(0, 100_000), (-99_999, 199_999)])
def test_decimal_roll_over_is_found(low: int, period: int) -> None:
    """A counter that is at 99999 and then at its lowest number has so many values."""
    true = 99_000 + np.cumsum(np.tile([3, 9, 14, 8, 2, -4, -6], 60))
    sent = (true - low) % period + low
    assert np.abs(np.diff(sent)).max() > 90_000
    whole, found = unwrapped(sent.astype(np.float64))
    assert found == period
    assert (np.diff(whole) == np.diff(true)).all()
    assert unwrapped(true.astype(np.float64))[1] is None
    # A jump to somewhere else is no roll-over.
    sent[200:] = 31_000
    assert unwrapped(sent[:210].astype(np.float64))[1] is None
