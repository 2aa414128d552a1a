"""What is accepted and what is not: chance, plausibility, roll-over, what the display shows."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
import pytest

from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Basis, Hints, parse_shown, suggest
from swathe_drivers.suggest.checks import chance_log10, find_check, pieces_of
from swathe_drivers.suggest.display import match_shown
from swathe_drivers.suggest.running import motion_of
from swathe_drivers.suggest.series import Series, find_sentinels
from swathe_drivers.suggest.trial import judged


def test_chance_is_a_union_bound() -> None:
    """By hand: 100 tried, 4 of 4 numbers of 8 bits; and 4 of 5, of which any may be the one that fails."""
    assert chance_log10(100, 4, 4, 8) == pytest.approx(2 - 32 * np.log10(2))
    assert chance_log10(100, 4, 5, 8) == pytest.approx(2 + np.log10(5) - 32 * np.log10(2))
    assert chance_log10(100, 4, 4, 8, free=1) == pytest.approx(2 - 24 * np.log10(2))


@pytest.mark.parametrize(("number", "accepted"), [(4, False), (5, True)])
def test_checksum_needs_more_than_chance(number: int, accepted: bool) -> None:
    """Four records that fit are still a coincidence of one in 400,000 where 336 places were tried."""
    rng = np.random.default_rng(5)
    rows = [rng.integers(0, 256, 6, dtype=np.uint8).tobytes() for _ in range(number)]
    found = find_check(pieces_of(rows, [reduce(xor, row) for row in rows], 8), tested=336)
    assert (found is not None) == accepted


def test_checksum_of_random_numbers_is_none() -> None:
    """None of all kinds fits what is random, of 8 or 16 bits."""
    rng = np.random.default_rng(6)
    for width in (8, 16):
        for _ in range(4):
            rows = [rng.integers(0, 256, 7, dtype=np.uint8).tobytes() for _ in range(40)]
            sent = rng.integers(0, 1 << width, 40).tolist()
            assert find_check(pieces_of(rows, sent, width), tested=100) is None


def _trial(columns: str, lines: list[str]) -> tuple[bool, tuple[str, ...]]:
    text = f"[protocol]\ncolumns = [{columns}]\n"
    decoder = parse_description(text, "tried").decoder(ns_per_byte=0)
    chunks = [(at * 10**7, f"{line}\r\n".encode()) for at, line in enumerate(lines)]
    trial = judged(decoder, decoder.feed_chunks(chunks), sum(len(data) for _, data in chunks))
    return trial.good, trial.problems


_THICKNESS = '{ is = "thickness", unit = "mm", no_echo = ["-"] }'


def test_trial_without_a_reading_is_never_good() -> None:
    """No faults and no value: the readings are there, and none of them has one."""
    good, problems = _trial(_THICKNESS, ["-"] * 200)
    assert not good
    assert problems == ("0 of 200 readings have a value",)
    assert not _trial(_THICKNESS, [])[0]


def test_trial_of_no_wall_is_not_good() -> None:
    """Thicknesses of metres or micrometres are a wrong unit; a wall's are good."""
    wall = [f"{12 + at % 7 / 100:.2f}" for at in range(100)]
    assert _trial(_THICKNESS, wall) == (True, ())
    far = [f"{1200 + at % 7:.2f}" for at in range(100)]
    assert _trial(_THICKNESS, far)[1] == ("thicknesses around 1203 mm are those of no wall",)
    near = [f"{0.012 + at % 7 / 1000:.3f}" for at in range(100)]
    assert not _trial(_THICKNESS, near)[0]
    assert _trial(_THICKNESS, ["12.00"] * 100)[1] == ("the thickness never changes",)


def test_trial_of_jumping_positions_is_not_good() -> None:
    """A count that jumps to and fro is no encoder."""
    numbers = np.random.default_rng(7).integers(0, 30000, 200)
    good, problems = _trial('{ is = "counts", axis = "scan" }', [str(n) for n in numbers])
    assert not good
    assert "jumps to and fro" in problems[0]
    assert _trial('{ is = "counts", axis = "scan" }', [str(at * 3) for at in range(200)])[0]


def _series(values: object, **others: object) -> Series:
    column = np.array(values, np.float64)
    return Series(0, column, np.arange(column.size) / 50, **others)  # type: ignore[arg-type]


def test_whole_hundredths_are_no_thousandths_of_an_inch() -> None:
    """1241 is 12.41 mm until somebody says else, and somebody is asked."""
    rng = np.random.default_rng(8)
    lines = [f"{n % 1000:03d};{round(1241 + rng.normal(0, 3))}\r\n" for n in range(300)]
    chunks = [(at * 2 * 10**7, line.encode()) for at, line in enumerate(lines)]
    found = suggest(chunks)
    (column,) = [c for c in parse_description(found.text, "x").protocol["columns"] if "unit" in c]
    assert (column["is"], column["unit"], column["scale"]) == ("thickness", "mm", 0.01)
    (finding,) = [one for one in found.findings if one.what.startswith("thickness")]
    assert finding.basis is Basis.GUESS
    assert [one.quantity for one in found.questions] == ["thickness"]
    last = int(lines[-1].split(";")[1])
    inches = suggest(chunks, hints=Hints(shows=(parse_shown(f"{last / 1000:.3f} in"),)))
    assert 'unit = "in", scale = 0.001' in inches.text
    assert not inches.questions


@pytest.mark.parametrize(
    ("text", "scale"), [("12.41 mm", 0.01), ("1.241 mm", 0.001), ("12.47 mm", None)]
)
def test_display_shows_the_scale_or_nothing(text: str, scale: float | None) -> None:
    """It is matched within half a digit, by a factor that devices use."""
    series = _series([1180] * 20 + [1241] * 200)
    match = match_shown(series, (parse_shown(text),))
    assert (None if match is None else match.scale) == scale
    if match is not None:
        assert match.chance < -1


def test_two_displayed_values_show_an_offset() -> None:
    """Volts: 2 V are 12 mm and 6 V are 32 mm."""
    series = _series([2.0] * 100 + [6.0] * 200, whole=False, places=3)
    shown = (parse_shown("12.00 mm @ 0.5 s"), parse_shown("32.00 mm"))
    match = match_shown(series, shown)
    assert match is not None
    assert match.scale == pytest.approx(5.0)
    assert match.offset == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("period", "low"), [(65536, 0), (100_000, 0), (10_000, 0), (199_999, -99_999)]
)
def test_motion_that_starts_again_is_seen(period: int, low: int) -> None:
    """The roll-over in the capture is found, and none where there is none."""
    true = period + low - 300 + np.cumsum(np.tile([2, 4, 9, 12, 9, 4, 2, 1, 0, -2, -3, -2], 40))
    role = motion_of(_series((true - low) % period + low))
    assert role is not None
    assert role.period == period
    plain = motion_of(_series(true - true.min() + 5))
    assert plain is not None
    assert plain.period is None


def test_sentinels_are_far_from_all_others() -> None:
    """0 and all ones beside thicknesses; not the thinnest place of a wall, and not what came once."""
    wall = 1200 + 100 * np.sin(np.arange(300) / 20)
    assert find_sentinels(np.concatenate((np.round(wall), [0, 0, 0]))) == (0.0,)
    high = np.concatenate((np.round(wall), [65535, 65535]))
    assert find_sentinels(high, 65536) == (65535.0,)
    assert find_sentinels(np.round(wall)) == ()
    assert find_sentinels(np.concatenate((np.round(wall), [0]))) == ()


def test_shown_values_are_read_or_refused() -> None:
    """Quantity by name or unit; what is no number is refused with how one looks."""
    assert parse_shown("position=310,5 mm").value == 310.5
    assert parse_shown("64 %").quantity == "amplitude"
    assert parse_shown("2.76 us").quantity == "time_of_flight"
    assert parse_shown("10.00 mm @ 2.5 s").at == 2.5
    with pytest.raises(ValueError, match="must be a number with its unit"):
        parse_shown("about twelve")
