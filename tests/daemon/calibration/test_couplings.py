"""Scatter between and within couplings, what the line makes of it, and how often its intervals hold."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from daemon.calibration.blocks import BLOCK, STEEL
from daemon.calibration.coupled_trials import Trial, shares_held
from swathe.calibration import (
    CalibrationError,
    CouplingBasis,
    StepCoupling,
    StepReading,
    StepsResult,
    coupling_scatter,
    solve_steps,
)
from swathe.calibration.couplings import round_drift


def coupled(
    shifts: dict[float, tuple[float, ...]], *, sd: float = 0.001, readings: int = 20
) -> list[StepReading]:
    """Return steps of the block whose couplings are off the law by `shifts`, ns."""
    return [
        StepReading.of_couplings(
            wall,
            [
                StepCoupling(
                    time_of_flight=float(STEEL.time_of_flight(wall)) + shift / 1000,
                    sd=sd,
                    readings=readings,
                )
                for shift in found
            ],
        )
        for wall, found in shifts.items()
    ]


def test_scatter_by_hand() -> None:
    """Sums of squares 2 and 8 with 1 and 2 degrees of freedom: a variance of 10 / 3."""
    one = [StepCoupling(time_of_flight=t, sd=0.5, readings=3) for t in (1.0, 3.0)]
    other = [StepCoupling(time_of_flight=t, sd=1.0, readings=2) for t in (5.0, 7.0, 9.0)]
    found = coupling_scatter([one, other])
    assert found.between == pytest.approx(math.sqrt(10 / 3))
    # (4 · 0.25 + 3 · 1) / 7
    assert found.within == pytest.approx(math.sqrt(4 / 7))
    assert (found.dof, found.within_dof) == (3, 7)
    assert found.reading == pytest.approx(math.sqrt(10 / 3 + 4 / 7))


def test_scatter_of_one_coupling_and_one_reading_is_not_known() -> None:
    """One coupling gives no scatter between, one reading none within."""
    found = coupling_scatter([[StepCoupling(time_of_flight=1.0)], []])
    assert math.isnan(found.between)
    assert math.isnan(found.within)
    assert (found.dof, found.within_dof, found.reading) == (0, 0, 0.0)


def test_step_of_couplings_is_the_mean_of_their_means() -> None:
    """A coupling counts once, however many readings it has; the scatter within is pooled."""
    step = StepReading.of_couplings(
        5.0,
        [
            StepCoupling(time_of_flight=2.0, sd=0.001, readings=40),
            StepCoupling(time_of_flight=3.0, sd=0.003, readings=20),
        ],
        u_thickness=0.002,
    )
    assert (step.time_of_flight, step.readings, step.u_thickness) == (2.5, 60, 0.002)
    assert step.sd == pytest.approx(math.sqrt((39 * 1e-6 + 19 * 9e-6) / 58))
    with pytest.raises(CalibrationError, match="step 5 mm has no reading"):
        StepReading.of_couplings(5.0, [])


@pytest.mark.parametrize(
    ("key", "value"),
    [("time_of_flight", -1.0), ("time_of_flight", math.nan), ("sd", -1.0), ("readings", 0), ("round", 0)],
)  # fmt: skip
def test_coupling_that_cannot_be_is_refused(key: str, value: float) -> None:
    """The round and what is wrong are named."""
    plain = StepCoupling(time_of_flight=1.0)
    with pytest.raises(CalibrationError, match=r"coupling of round . ?: .* must be >= "):
        dataclasses.replace(plain, **{key: value})  # type: ignore[arg-type]


def test_uncertainty_is_that_between_couplings_by_hand() -> None:
    """Two steps 10 mm apart, coupled three times: u(slope)² = 2 s² / 3 / (10 mm)², 4 degrees."""
    found = solve_steps(coupled({5.0: (-4, 0, 4), 15.0: (-8, 0, 8)}))
    s = math.sqrt((2 * 16 + 2 * 64) / 4) / 1000
    u_slope = math.sqrt(2 * s**2 / 3) / 10
    assert found.u_velocity == pytest.approx(found.velocity**2 / 2 * u_slope, rel=1e-9)
    assert found.u_dof == pytest.approx(4)
    assert found.coupling == pytest.approx(s)
    assert found.coupling_dof == 4
    assert found.coupling_basis is CouplingBasis.MEASURED
    assert "the repeatability between couplings, 6.3 ns with 4 degrees of freedom" in found.basis


def test_value_given_does_not_raise_the_degrees_of_freedom() -> None:
    """One step, coupled three times: 2 degrees, however uncertain the velocity given is."""
    (step,) = coupled({10.0: (-4, 0, 4)})
    for u in (0.0, 0.001, 0.03):
        found = solve_steps([step], velocity=STEEL.velocity, u_velocity=u)
        assert found.u_dof == pytest.approx(2)
        by_velocity = 2 * 10 / STEEL.velocity**2 * u
        assert found.u_zero_offset == pytest.approx(math.hypot(0.004 / math.sqrt(3), by_velocity))
    off = coupled({5.0: (60, 60), 10.0: (-60, -61), 20.0: (60, 60)})
    scattered = solve_steps(off, velocity=STEEL.velocity, u_velocity=0.03)
    assert scattered.basis.startswith("from the scatter of the steps about the line")
    assert scattered.u_dof == pytest.approx(2)


def test_steps_coupled_more_often_weigh_more() -> None:
    """A step coupled nine times pulls the line to itself as numpy's weighted fit has it."""
    shifts = {2.5: (10.0,) * 9, 5.0: (0.0, 4.0), 10.0: (-4.0, 0.0), 25.0: (2.0, -2.0)}
    found = solve_steps(coupled(shifts))
    times = [step.time_of_flight for step in found.steps]
    slope, zero = np.polyfit(list(shifts), times, 1, w=np.sqrt([9, 2, 2, 2]))
    assert found.velocity == pytest.approx(2 / slope, rel=1e-9)
    assert found.zero_offset == pytest.approx(zero, abs=1e-9)


def test_stated_coupling_takes_part_where_none_was_repeated() -> None:
    """10 ns stated, on two steps 10 mm apart: u(slope)² = 2 u² / (10 mm)², well known."""
    once = coupled({5.0: (0,), 15.0: (0,)}, sd=0.0)
    found = solve_steps(once, coupling_us=0.01)
    assert found.u_velocity == pytest.approx(found.velocity**2 / 2 * math.sqrt(2) * 0.01 / 10)
    assert found.coupling_basis is CouplingBasis.STATED
    assert (found.coupling, found.coupling_dof) == (0.01, math.inf)
    assert "the stated repeatability between couplings, 10 ns" in found.basis
    # What was measured is not replaced by what is stated.
    both = solve_steps(coupled({5.0: (-1, 1), 15.0: (-1, 1)}), coupling_us=0.01)
    assert both.coupling_basis is CouplingBasis.MEASURED
    assert both.coupling == pytest.approx(0.001 * math.sqrt(2))
    with pytest.raises(CalibrationError, match="'coupling_us' must be >= 0"):
        solve_steps(once, coupling_us=-0.01)


def test_couplant_that_nobody_looked_at_is_reported() -> None:
    """One coupling and nothing stated: the basis says that it is not covered."""
    found = solve_steps(coupled({5.0: (0,), 15.0: (0,)}))
    assert found.coupling_basis is CouplingBasis.NOT_COVERED
    assert math.isnan(found.coupling)
    assert "couplant and probe handling are not covered" in found.basis


def off_the_line(shift: float) -> StepsResult:
    """Return a calibration on five steps of which one is off by `shift`, ns."""
    films = (-3.0, 0.0, 3.0)
    return solve_steps(
        coupled(
            {wall: tuple(film + shift * (wall == 10.0) for film in films) for wall in BLOCK},
        )
    )


def test_steps_further_off_than_couplings_explain_widen_the_interval() -> None:
    """3 ns between couplings are 1.7 ns of a step: 5 ns off may be chance, 40 ns are not."""
    near, far = off_the_line(5.0), off_the_line(40.0)
    assert near.basis.startswith("propagated from the repeatability between couplings")
    assert near.u_dof == pytest.approx(10)
    assert near.warnings == ()
    assert far.basis.startswith("from the scatter of the steps about the line, with 3 degrees")
    assert far.u_dof == pytest.approx(3)
    assert far.u_velocity > 3 * near.u_velocity
    (warning,) = [text for text in far.warnings if "coupling again" in text]
    assert "most of all step 10 mm" in warning


@pytest.mark.parametrize("couplant_ns", [0, 10])
@pytest.mark.parametrize(
    "trial",
    [
        Trial(steps=(2.5, 5.0, 10.0, 20.0)),
        Trial(steps=(5.0, 10.0, 20.0), resolution_ns=1.0),
        Trial(steps=(5.0, 10.0, 20.0), resolution_ns=10.0, noise_ns=1.0),
        Trial(steps=(5.0, 10.0, 20.0), rounds=1, stated=True),
    ],
)
def test_intervals_hold_the_truth_as_often_as_they_say(trial: Trial, couplant_ns: float) -> None:
    """200 seeded runs: velocity, zero offset and a reading on the part within their 95 % intervals.

    Of 200 draws with 95 % five in a million are fewer than 175. With a digit as wide as the scatter the
    intervals are wider than they need be, never narrower. The table with 1,000 runs each is
    that of `tests/benchmarks/couplings.py`.
    """
    held = shares_held(trial, couplant_ns=couplant_ns, runs=200, seed=5)
    assert min(held.velocity, held.zero, held.thickness) >= 0.9
    if not trial.resolution_ns:
        assert max(held.velocity, held.zero, held.thickness) <= 0.99


def test_intervals_without_couplant_would_not_hold() -> None:
    """The same runs with one coupling and none stated: no level is claimed, and rightly."""
    trial = Trial(steps=(5.0, 10.0, 20.0), rounds=1, two_sigma=True)
    held = shares_held(trial, couplant_ns=10.0, runs=200, seed=5)
    assert held.velocity < 0.75


def drifting(*rounds: float, scatter: tuple[float, ...] = (1.0, -1.0, 0.0)) -> list[StepReading]:
    """Return steps whose rounds are off together, ns, besides a scatter that differs by step."""
    return [
        StepReading.of_couplings(
            wall,
            [
                StepCoupling(
                    time_of_flight=float(STEEL.time_of_flight(wall))
                    + (off + scatter[(k + number) % len(scatter)]) / 1000,
                    sd=0.001,
                    readings=20,
                    round=number + 1,
                )
                for number, off in enumerate(rounds)
            ],
        )
        for k, wall in enumerate((5.0, 10.0, 20.0))
    ]


def test_rounds_that_are_off_together_are_warned_of() -> None:
    """A probe that warms up by 10 ns a round, against 1 ns of scatter."""
    assert round_drift([step.couplings for step in drifting(0, 10, 20)]) == pytest.approx(0.020)
    (warning,) = [text for text in solve_steps(drifting(0, 10, 20)).warnings if "rounds" in text]
    assert warning.startswith("the rounds differ by up to 20 ns on all steps alike")
    assert solve_steps(drifting(0, 0, 0)).warnings == ()
    # Beyond chance, but of no matter.
    tiny = drifting(0, 0.4, 0.8, scatter=(0.01, -0.01, 0.0))
    assert round_drift([step.couplings for step in tiny]) == pytest.approx(0.0008)
    assert solve_steps(tiny).warnings == ()


def test_rounds_that_cannot_be_compared_are_no_drift() -> None:
    """One step, one round, other rounds on each step, or rounds that nobody numbered."""
    steps = [step.couplings for step in drifting(0, 10, 20)]
    assert round_drift(steps[:1]) == 0.0
    assert round_drift([step[:1] for step in steps]) == 0.0
    assert round_drift([steps[0], steps[1][:2], steps[2]]) == 0.0
    assert round_drift([step.couplings for step in coupled({5.0: (0, 9), 9.0: (0, 9)})]) == 0.0


def test_independent_couplings_are_rarely_a_drift() -> None:
    """1 of 100 by the level: of 1,000 seeded calibrations at most 20 are."""
    random = np.random.default_rng(6)
    found = sum(
        round_drift(
            [
                [StepCoupling(time_of_flight=5 + t, round=k + 1) for k, t in enumerate(row)]
                for row in random.normal(0, 0.005, (4, 3))
            ]
        )
        > 0
        for _ in range(1000)
    )
    assert found <= 20
