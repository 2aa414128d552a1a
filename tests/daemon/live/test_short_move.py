"""What a short move shows, by its numbers alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.crawl import crawl_station
from swathe.display_units import DisplayUnits
from swathe.live.crawl.short_move import Moved, ShortMove, tolerance_of
from swathe.station import parse_station


def short(*, encoded: bool = True, length: float = 10.0) -> ShortMove:
    """Return a move of the scan axis by 10 mm, of which 0.7 are tolerated."""
    return ShortMove(
        axis="scan",
        other="index",
        length=length,
        encoded=encoded,
        tolerance=0.7,
        units=DisplayUnits("mm"),
    )


@pytest.mark.parametrize(
    ("ratio", "cause"),
    [
        (25.4, "inches"),
        (23.2, "inches"),
        (27.8, "inches"),
        (22.0, "another scale"),
        (28.5, "another scale"),
        (1 / 25.4, "inches"),
        (0.02, "does not move"),
        (-25.4, "inches and has the other sign"),
        (-1.0, "wrong sign"),
        (2.0, "another scale"),
        (0.5, "or the wheels slip"),
    ],
)
def test_ratio_names_the_likely_cause(ratio: float, cause: str) -> None:
    """An inch is 25.4 mm by definition; within a tenth of it nothing else is likelier."""
    found = short().finding(Moved(10.0, 10.0 * ratio, 0.0))
    assert found is not None
    assert cause in found.text
    assert f"({ratio:.3g} times as far)" in found.text
    assert found.certain is not (0.04 < ratio < 1 or ratio == 0.02)


@pytest.mark.parametrize(("measured", "is_found"), [(9.31, False), (10.69, False), (10.71, True)])
def test_tolerance_is_the_bound_at_rest_and_in_the_move(measured: float, is_found: bool) -> None:
    """7 % of the length, either way."""
    found = short().finding(Moved(10.0, measured, 0.0))
    assert (found is not None) is is_found
    assert bool(short().beyond(Moved(10.0, measured, 0.0))) is is_found
    assert found is None or found.certain


@pytest.mark.parametrize("sign", [1, -1])
def test_other_encoder_counts_either_way(sign: int) -> None:
    """Also in the move; where the own encoder moves as much, the axes are not swapped."""
    moved = Moved(5.0, 0.0, 0.8 * sign)
    assert "the encoder of index moved by" in short().beyond(moved)
    found = short().finding(moved)
    assert found is not None
    assert found.certain
    assert "the axes are swapped" in found.text
    both = short().finding(Moved(5.0, 5.0, 5.0 * sign))
    assert both is not None
    assert "both axes move" in both.text


def test_encoder_without_a_position_is_a_finding_that_may_pass() -> None:
    """One that sends on change only has none before it moves."""
    found = short().finding(Moved(10.0, None, 0.0))
    assert found is not None
    assert not found.certain
    assert "the encoder has no position; see scan.device" in found.text
    assert short().beyond(Moved(10.0, None, None)) == ""


def test_axis_without_an_encoder_is_not_compared() -> None:
    """Only the other encoder shows something."""
    assert short(encoded=False).finding(Moved(10.0, None, 0.0)) is None
    assert short(encoded=False).finding(Moved(10.0, None, 0.8)) is not None
    agreed = short(encoded=False).agreed(Moved(10.0, None, 0.0))
    assert agreed == "scan 10.0 mm commanded, 10.0 mm reported, no encoder to compare with"


def test_controller_that_reports_no_motion_has_no_ratio() -> None:
    """A thousandth of what was measured is less than a machine rounds to."""
    found = short().finding(Moved(0.01, 11.0, 0.0))
    assert found is not None
    assert "times as far" not in found.text
    assert "another scale" in found.text


def test_tolerance_grows_with_length_backlash_and_counts() -> None:
    """7 % of the length, 0.5 mm, or the backlash and two counts, whichever is most."""
    scan = parse_station(crawl_station(Path("p")), "x").scan
    assert tolerance_of(10.0, scan) == pytest.approx(0.7)
    assert tolerance_of(5.0, scan) == 0.5
    loose = scan.model_copy(update={"backlash": 1.5})
    assert tolerance_of(10.0, loose) == pytest.approx(1.5 + 2 / 26.07)
    coarse = scan.model_copy(update={"counts_per_mm": 0.5})
    assert tolerance_of(10.0, coarse) == 4.0
