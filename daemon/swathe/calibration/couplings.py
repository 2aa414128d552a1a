"""Couplings of the probe on a step: how well putting it on again repeats.

Couplant film and probe handling change the time of flight from one coupling to the next by more than
a reading scatters while the probe is held. So a step is coupled several times, and the mean of each
coupling is one observation: a one-way analysis of variance, couplings nested in steps, as in
JCGM 100:2008 H.5 (its worked example is reproduced in the tests). What varies between the means of
couplings includes all that varies within them, so that no assumption about the scatter within is
needed for the uncertainty of a step's mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from swathe.errors import CalibrationError

__all__ = ["CouplingBasis", "CouplingScatter", "StepCoupling", "coupling_scatter", "round_drift"]


class CouplingBasis(StrEnum):
    """What the couplant's share of the uncertainty rests on."""

    MEASURED = "measured"
    STATED = "stated"
    NOT_COVERED = "not covered"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCoupling:
    """The readings of one coupling: a steady stretch after the probe was put on.

    Attributes:
        time_of_flight: mean of the readings, µs.
        sd: standard deviation of a single reading, µs; 0 of a single one.
        readings: how many.
        round: in which round over the steps, 1 or more.
        time: when the stretch ended, ISO 8601 in UTC; empty where it is not known.
    """

    time_of_flight: float
    sd: float = 0.0
    readings: int = 1
    round: int = 1
    time: str = ""

    def __post_init__(self) -> None:
        """Refuse what cannot have been read.

        Raises:
            CalibrationError: a value that cannot be.
        """
        for name, value, minimum in (
            ("time of flight", self.time_of_flight, 0.0),
            ("standard deviation", self.sd, 0.0),
            ("number of readings", self.readings, 1),
            ("round", self.round, 1),
        ):
            if not (math.isfinite(value) and value >= minimum):
                msg = f"coupling of round {self.round}: {name} must be >= {minimum:g} (got {value})"
                raise CalibrationError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class CouplingScatter:
    """Scatter of readings within couplings and of couplings on one step, pooled over the steps.

    Attributes:
        between: standard deviation of the means of couplings about their step's mean, µs; NaN where
            no step was coupled twice.
        dof: its degrees of freedom: couplings less steps.
        within: standard deviation of single readings about their coupling's mean, µs; NaN where no
            coupling has two readings.
        within_dof: its degrees of freedom: readings less couplings.
    """

    between: float
    dof: int
    within: float
    within_dof: int

    @property
    def reading(self) -> float:
        """Standard deviation of a single reading after coupling again, µs, as far as it is known."""
        known = [sd for sd in (self.between, self.within) if not math.isnan(sd)]
        return math.hypot(*known)


def coupling_scatter(steps: Sequence[Sequence[StepCoupling]]) -> CouplingScatter:
    """Return the scatter between and within the couplings of all steps.

    Args:
        steps: the couplings of each step.
    """
    squares, dof = 0.0, 0
    for couplings in steps:
        times = [one.time_of_flight for one in couplings]
        mean = math.fsum(times) / len(times) if times else 0.0
        squares += math.fsum((time - mean) ** 2 for time in times)
        dof += max(len(times) - 1, 0)
    every = [one for couplings in steps for one in couplings]
    within_dof = sum(one.readings - 1 for one in every)
    within = math.fsum((one.readings - 1) * one.sd**2 for one in every)
    return CouplingScatter(
        between=math.sqrt(squares / dof) if dof else math.nan,
        dof=dof,
        within=math.sqrt(within / within_dof) if within_dof else math.nan,
        within_dof=within_dof,
    )


# Rounds that differ by chance alone are called a drift in 1 of 100 calibrations (our choice).
_DRIFT_LEVEL = 0.99


def round_drift(steps: Sequence[Sequence[StepCoupling]]) -> float:
    """Return by how much whole rounds differ from one another on all steps alike, µs; 0 by chance.

    The scatter between couplings takes each as independent. Something that changes from round to
    round, such as a probe that warms up, moves all steps of a round together: it averages over the
    rounds only. The test is that of a two-way analysis of variance without interaction, rounds
    against the rest (a textbook test; from memory; `tests/reference` computes it another way).

    Args:
        steps: the couplings of each step; tested where two steps or more have the same rounds.

    Returns:
        Maximum less minimum of the rounds' means, or 0 where chance explains them.
    """
    rounds = [sorted(couplings, key=lambda one: one.round) for couplings in steps]
    numbers = [tuple(one.round for one in couplings) for couplings in rounds]
    n = len(rounds)
    if n < 2 or len(set(numbers)) > 1 or len(set(numbers[0])) < max(len(numbers[0]), 2):
        return 0.0
    times = np.array([[one.time_of_flight for one in couplings] for couplings in rounds])
    off = times - times.mean(axis=1, keepdims=True)
    means = off.mean(axis=0)
    dof = off.shape[1] - 1
    between = n * float(means @ means) / dof
    rest = float(np.sum((off - means) ** 2)) / (dof * (n - 1))
    from scipy.special import fdtri

    if between <= rest * float(fdtri(dof, dof * (n - 1), _DRIFT_LEVEL)):
        return 0.0
    return float(np.ptp(means))
