"""Simulated calibrations with a couplant error of each coupling, and how often their intervals hold."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from swathe.calibration import (
    CalibrationError,
    StepCoupling,
    StepReading,
    StepsResult,
    combine,
    reading_budget,
    solve_steps,
)

LEVEL = 0.95
READINGS = 20


@dataclass(frozen=True, kw_only=True)
class Trial:
    """How a calibration is made.

    Attributes:
        steps: mm.
        rounds: couplings of each step.
        resolution_ns: last digit of the time.
        noise_ns: standard deviation of a reading while the probe is held.
        stated: whether the true couplant error is stated.
        two_sigma: whether twice the standard uncertainty is taken for the interval of the velocity.
    """

    steps: tuple[float, ...]
    rounds: int = 3
    resolution_ns: float = 0.0
    noise_ns: float = 4.0
    stated: bool = False
    two_sigma: bool = False


@dataclass(frozen=True, kw_only=True)
class Held:
    """Shares of the runs whose interval holds the truth, and how wide the velocity's is.

    Attributes:
        velocity: share.
        zero: share.
        thickness: share, of readings on the part.
        width: median half-width of the velocity's interval, mm/µs.
        refused: calibrations that were refused.
    """

    velocity: float
    zero: float
    thickness: float
    width: float
    refused: int


def shares_held(trial: Trial, *, couplant_ns: float, runs: int, seed: int) -> Held:
    """Simulate calibrations and readings on a part, and compare their intervals with the truth.

    Velocity, zero offset and the wall of the part are drawn for each run, so that a digit's error is
    another one each time. The reading on the part is a single one, with a couplant film of its own.
    """
    random = np.random.default_rng(seed)
    rows: list[tuple[bool, bool, bool, float]] = []
    refused = 0
    for _ in range(runs):
        velocity, zero = random.uniform(5.8, 6.0), random.uniform(0.2, 0.6)

        def read(wall: float, n: int, velocity: float = velocity, zero: float = zero) -> np.ndarray:
            film = random.normal(0, couplant_ns / 1000)
            times = zero + 2 * wall / velocity + film + random.normal(0, trial.noise_ns / 1000, n)
            digit = trial.resolution_ns / 1000
            return np.round(times / digit) * digit if digit else times

        steps = [
            StepReading.of_couplings(
                wall,
                [
                    StepCoupling(
                        time_of_flight=float(times.mean()),
                        sd=float(times.std(ddof=1)),
                        readings=READINGS,
                    )
                    for times in (read(wall, READINGS) for _ in range(trial.rounds))
                ],
            )
            for wall in trial.steps
        ]
        part = random.uniform(min(trial.steps), max(trial.steps))
        (shown,) = read(part, 1)
        try:
            found = solve_steps(
                steps,
                time_resolution_us=trial.resolution_ns / 1000,
                coupling_us=couplant_ns / 1000 if trial.stated else None,
            )
        except CalibrationError:  # the velocity is too uncertain to be of use
            refused += 1
            continue
        factor = 2.0 if trial.two_sigma else student(found.u_dof)
        wall = float(found.law().thickness(shown))
        rows.append(
            (
                abs(found.velocity - velocity) <= factor * found.u_velocity,
                abs(found.zero_offset - zero) <= factor * found.u_zero_offset,
                abs(wall - part) <= expanded(found, trial, wall),
                factor * found.u_velocity,
            )
        )
    table = np.array(rows, np.float64)
    return Held(
        velocity=float(table[:, 0].mean()),
        zero=float(table[:, 1].mean()),
        thickness=float(table[:, 2].mean()),
        width=float(np.median(table[:, 3])),
        refused=refused,
    )


def student(dof: float) -> float:
    """Return the factor for the level, by scipy, at a whole number of degrees of freedom."""
    if dof > 1e6:
        return float(stats.norm.ppf((1 + LEVEL) / 2))
    return float(stats.t.ppf((1 + LEVEL) / 2, math.floor(dof)))


def expanded(found: StepsResult, trial: Trial, wall: float) -> float:
    """Return the expanded uncertainty of a reading on the part, mm."""
    coupling = 0.0 if math.isnan(found.coupling) else found.coupling
    budget = combine(
        reading_budget(
            wall,
            law=found.law(),
            u_velocity=found.u_velocity,
            u_zero_offset=found.u_zero_offset,
            correlation=found.correlation,
            calibration_dof=found.u_dof,
            repeatability_mm=found.repeatability,
            repeatability_dof=len(trial.steps) * trial.rounds * (READINGS - 1),
            coupling_us=coupling,
            coupling_dof=found.coupling_dof,
            resolution_mm=trial.resolution_ns / 1000 * found.velocity / 2,
        ),
        coverage=LEVEL,
    )
    return dataclasses.asdict(budget)["expanded"] or 0.0
