"""Two different requests need records that show which one they answer."""

from __future__ import annotations

import pytest

from swathe_drivers.description import DescriptionError, parse_description

TALK = """
[talk]
poll = [{ send = "POS?\\n", every = "20 ms" }, { send = "THICK?\\n", every = "20 ms" }]
"""
REFUSED = (
    "'talk.poll' must have one request only, as nothing in a record shows which one it answers"
)


@pytest.mark.parametrize(
    "protocol",
    [
        'columns = [{ is = "thickness", unit = "mm" }]',
        'columns = [{ is = "thickness", unit = "mm" }, { is = "amplitude" }]',
    ],
)
def test_two_requests_with_bare_numbers_are_refused(protocol: str) -> None:
    """A position of 3.000 would be a thickness of 3.000 mm."""
    with pytest.raises(DescriptionError, match="a 'constant' and ignore the others") as caught:
        parse_description(f"[protocol]\n{protocol}\n{TALK}", "gauge.toml")
    assert f"gauge.toml: {REFUSED}" in str(caught.value)
    assert "['POS?\\n', 'THICK?\\n']" in str(caught.value)


def test_two_requests_with_frames_of_one_kind_are_refused() -> None:
    """Sync bytes and length are those of every answer."""
    frames = (
        'driver = "frames"\n[protocol]\nframing = { kind = "fixed", sync = [165], length = 3 }\n'
        'fields = [{ is = "thickness", unit = "mm", type = "u2", scale = 0.01 }]\n'
    )
    with pytest.raises(DescriptionError) as caught:
        parse_description(frames + TALK, "gauge.toml")
    assert REFUSED in str(caught.value)
    constant = '{ is = "constant", type = "u1", value = 84 }, { is = "thickness"'
    known = frames.replace('{ is = "thickness"', constant).replace("length = 3", "length = 4")
    assert parse_description(known + TALK, "gauge.toml").talk is not None


@pytest.mark.parametrize(
    "columns",
    [
        '{ is = "constant", text = "TH" }, { is = "thickness", unit = "mm" }',
        '{ is = "thickness", unit = "mm", before = "TH" }',
        '{ is = "thickness", unit = "mm", behind = "mm" }',
        '{ is = "thickness", unit = "mm" }, { is = "status", valid = ["OK"] }',
    ],
)
def test_answer_of_the_other_request_is_no_record(columns: str) -> None:
    """Where a text belongs to the record the description is taken, and the bare number is none."""
    found = parse_description(f"[protocol]\ncolumns = [{columns}]\n{TALK}", "gauge.toml")
    batch = found.decoder(ns_per_byte=0).feed(b"3.000\r\n", 0)
    assert not batch.readings.size
    assert sum(batch.n_faults.values()) == 1


def test_the_same_request_twice_is_one_kind_of_answer() -> None:
    """So is a single one."""
    twice = TALK.replace("POS?", "THICK?")
    for talk in (twice, '[talk]\npoll = [{ send = "THICK?\\n", every = "20 ms" }]\n'):
        text = f'[protocol]\ncolumns = [{{ is = "thickness", unit = "mm" }}]\n{talk}'
        assert parse_description(text, "gauge.toml").talk is not None
