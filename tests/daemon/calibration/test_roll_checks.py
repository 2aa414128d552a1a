"""Rolls of an encoder that cannot be used, each with its reason."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.calibration.roll_checks import Roll, agree, roll_fault, roll_problem


def rolled(*pieces: np.ndarray) -> Roll:
    """Return the roll of counts that arrived in pieces."""
    roll, before = Roll(), pieces[0][0]
    for piece in pieces:
        roll.add(np.concatenate(([before], piece)))
        before = piece[-1]
    return roll


HAND = np.concatenate((np.zeros(20), (6500 * (1 - np.cos(np.linspace(0, np.pi, 100)))).round()))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_hand_is_no_fault(sign: float) -> None:
    """From rest to rest, in either direction, also with a little movement back."""
    roll = rolled(sign * HAND)
    assert roll.counts == sign * 13_000
    assert roll_fault(roll) == roll_problem(roll) == ""
    to_and_fro = np.concatenate((HAND, HAND[-1] - np.arange(0.0, 300.0, 10.0)))
    assert roll_fault(rolled(sign * to_and_fro)) == ""


@given(st.lists(st.integers(1, len(HAND) - 1), max_size=5, unique=True))
def test_a_roll_does_not_depend_on_how_it_arrives(cuts: list[int]) -> None:
    """Records may come in any pieces."""
    assert rolled(*np.split(HAND, sorted(cuts))) == rolled(HAND)


@pytest.mark.parametrize(("start", "at"), [(60_000, 70), (3_000, 90), (-9_000, 60), (100, 75)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_counter_that_begins_again_is_a_fault(start: int, at: int, sign: float) -> None:
    """Wherever it was, and whatever the roll then seems to be."""
    counts = sign * (HAND + start)
    counts[at:] -= counts[at]
    fault = roll_fault(rolled(counts))
    assert fault.startswith("the counter jumped by ")
    assert "switched off" in fault


def test_few_records_are_no_jump() -> None:
    """A device that sends twice in a roll is not accused of anything."""
    roll = rolled(np.array([0.0, 6000.0, 13_000.0]))
    assert roll_fault(roll) == ""


def test_a_lost_port_and_silence_are_faults() -> None:
    """Silence only of a device that sends at rest."""
    roll = rolled(HAND)
    roll.silent = 1.01
    assert roll_fault(roll).startswith("no count came for 1.0 s")
    assert roll_fault(roll, silent_at_rest=True) == ""
    roll.silent = 1.0
    assert roll_fault(roll) == ""
    roll.lost = "device reports readiness to read but returned no data"
    assert roll_fault(roll, silent_at_rest=True).startswith("the port was lost meanwhile (device")


@pytest.mark.parametrize(
    ("counts", "earlier", "problem"),
    [
        (0.0, [], "+0 counts: it has not moved far enough to be measured"),
        (-19.0, [-19.0], "-19 counts: it has not moved far enough to be measured"),
        (20.0, [], ""),
        (-13_000.0, [], ""),
        (
            -13_000.0,
            [13_040.0],
            "-13,000 counts: it was rolled the other way than before (+13,040)",
        ),
        (
            13_000.0,
            [-13_040.0],
            "+13,000 counts: it was rolled the other way than before (-13,040)",
        ),
        (9_500.0, [10_000.0, 10_100.0, 9_900.0], ""),
        (9_499.0, [10_000.0], "+9,499 counts: -5.0 % from the runs before (+10,000)"),
        (
            -10_600.0,
            [-10_000.0, -10_100.0, -9_900.0],
            "-10,600 counts: +6.0 % from the runs before (-10,000)",
        ),
    ],
)
def test_what_cannot_be_used(counts: float, earlier: list[float], problem: str) -> None:
    """No movement, the other direction, far off the others; the first one has no others."""
    assert roll_problem(Roll(counts=counts), earlier) == problem


def test_rolls_that_agree() -> None:
    """Within 5 %, with the sign."""
    assert agree(105.0, 100.0)
    assert not agree(105.1, 100.0)
    assert not agree(-100.0, 100.0)
    assert agree(-96.0, -100.0)
