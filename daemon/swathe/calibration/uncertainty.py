"""The uncertainty of a reading, as a budget of components.

After JCGM 100:2008 (GUM), whose text was not at hand: combination by the root of the sum of squares
(5.1.2), effective degrees of freedom by Welch and Satterthwaite (G.4.1), coverage factor by
Student's t. Its annex H.1 is reproduced in the tests. Components whose sizes rest on one estimate, as
the calibration's and the reading's share of one repeatability do, are too great or too small
together: they count as one in the degrees of freedom.

An effect that is known and not corrected enters with its whole size as a standard uncertainty.
JCGM 100 F.2.4.5 adds such an effect to the expanded uncertainty instead, for one sign of it; the root
of the sum of squares with a factor of 2 or more holds for either sign at no lower level than is
stated (as Phillips, Eberhardt and Parry found, J. Res. NIST 102, 1997, from memory; the tests compute
it).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from swathe.calibration.law import ThicknessLaw
from swathe.calibration.resolution import rounding_uncertainty
from swathe.errors import CalibrationError

__all__ = ["COVERAGE", "Combined", "Component", "combine", "minimum_bias", "reading_budget"]

COVERAGE = 0.9545
"""Level of confidence: two standard deviations of a normal distribution."""


# Student's t of so many degrees of freedom is the normal distribution's to nine digits.
_NORMAL_DOF = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of a budget.

    Attributes:
        name: what is uncertain.
        standard_uncertainty: its share in the result, in the result's unit.
        dof: degrees of freedom, 1 or more; infinite when it is taken as well known.
        basis: where the number comes from.
        shared: name of the estimate that it rests on with others; empty for one of its own.
    """

    name: str
    standard_uncertainty: float
    dof: float = math.inf
    basis: str = ""
    shared: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no component.

        Raises:
            CalibrationError: a value that cannot be; give one that can.
        """
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            msg = f"'{self.name}' must have an uncertainty >= 0 (got {self.standard_uncertainty})"
            raise CalibrationError(msg)
        if not self.dof >= 1:
            msg = (
                f"'{self.name}' must have 1 degree of freedom or more (got {self.dof}): "
                "take more readings, or state an uncertainty from elsewhere"
            )
            raise CalibrationError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """What the components come to together.

    Attributes:
        components: of the budget.
        standard_uncertainty: combined.
        effective_dof: by Welch and Satterthwaite, not truncated.
        coverage: level of confidence of the expanded uncertainty; None where no level is claimed,
            because something that matters is not covered.
        coverage_factor: Student's t for it, at the effective dof cut to a whole number; None
            without a level.
        expanded: combined standard uncertainty times the coverage factor; None without a level.
        not_covered: what no component covers, in words; empty where a level is claimed.
    """

    components: tuple[Component, ...]
    standard_uncertainty: float
    effective_dof: float
    coverage: float | None
    coverage_factor: float | None
    expanded: float | None
    not_covered: tuple[str, ...] = ()


def combine(
    components: Iterable[Component],
    *,
    coverage: float = COVERAGE,
    not_covered: Sequence[str] = (),
) -> Combined:
    """Return the combined and the expanded uncertainty of components.

    Args:
        components: independent but for those that share an estimate, in one unit; none at all
            gives 0.
        coverage: level of confidence, between 0 and 1.
        not_covered: what matters and has no component, in words: no level is claimed then.

    Raises:
        CalibrationError: `coverage` is no such share; 0.95 and 0.9545 are common.
    """
    if not 0 < coverage < 1:
        msg = f"'coverage' must lie between 0 and 1, such as 0.9545 (got {coverage})"
        raise CalibrationError(msg)
    parts = tuple(components)
    u = math.hypot(*(part.standard_uncertainty for part in parts))
    dof = _effective_dof(parts, u)
    if not_covered:
        return Combined(
            components=parts,
            standard_uncertainty=u,
            effective_dof=dof,
            coverage=None,
            coverage_factor=None,
            expanded=None,
            not_covered=tuple(not_covered),
        )
    factor = _student(dof, coverage)
    return Combined(
        components=parts,
        standard_uncertainty=u,
        effective_dof=dof,
        coverage=coverage,
        coverage_factor=factor,
        expanded=factor * u,
    )


def _effective_dof(parts: Sequence[Component], u: float) -> float:
    """Return the degrees of freedom of the combined uncertainty `u`.

    The relative standard deviation of an estimated variance is ``sqrt(2 / dof)`` (JCGM 100 G.4.1).
    Variances that rest on one estimate are off together: their standard deviations add up, those of
    the others as squares.
    """
    if not u:
        return math.inf
    # Shares of the whole, so that no fourth power of a small length is lost.
    shares: dict[str, float] = {}
    alone = 0.0
    for part in parts:
        share = (part.standard_uncertainty / u) ** 2 / math.sqrt(part.dof)
        if part.shared:
            shares[part.shared] = shares.get(part.shared, 0.0) + share
        else:
            alone += share**2
    total = alone + math.fsum(share**2 for share in shares.values())
    return 1 / total if total else math.inf


def _student(dof: float, coverage: float) -> float:
    """Return the factor for `coverage`, two-sided; JCGM 100 G.4.1 cuts the dof to a whole number."""
    # SciPy takes a tenth of a second to import, and a scan may begin without it.
    from scipy.special import ndtri, stdtrit

    tail = (1 + coverage) / 2
    if dof > _NORMAL_DOF:
        return float(ndtri(tail))
    # A dof of 10 that came out as 9.999999999 is 10.
    return float(stdtrit(math.floor(dof * (1 + 1e-9)), tail))


def reading_budget(
    thickness: float,
    *,
    law: ThicknessLaw,
    u_velocity: float,
    u_zero_offset: float,
    correlation: float,
    calibration_dof: float = math.inf,
    calibration_basis: str = "",
    repeatability_mm: float,
    repeatability_dof: float = math.inf,
    coupling_us: float = 0.0,
    coupling_dof: float = math.inf,
    coupling_basis: str = "",
    resolution_mm: float,
    u_temperature_kelvin: float = 0.0,
    coefficient_per_kelvin: float = 0.0,
    u_coefficient_per_kelvin: float = 0.0,
    temperature_difference_kelvin: float = 0.0,
    uncorrected_kelvin: float = 0.0,
) -> list[Component]:
    """Return the budget of one reading, in mm.

    Sensitivities are the derivatives of the law: with the path p and the wall d,
    ``dd/dp = p / d`` (1 without V-path), ``dp/dv = p / v``, ``dp/dzero = -v f / 2`` and
    ``dp/df = p / f``.

    Args:
        thickness: that was read, mm.
        law: by which.
        u_velocity: standard uncertainty of the velocity, mm/µs.
        u_zero_offset: standard uncertainty of the zero offset, µs.
        correlation: of velocity and zero offset, -1 … 1. Left out, the calibration would seem
            worse than it is near its own steps.
        calibration_dof: of the two uncertainties.
        calibration_basis: where they are from.
        repeatability_mm: standard deviation of readings at one place while the probe is held, mm.
        repeatability_dof: readings it was taken from, less one.
        coupling_us: standard deviation of a reading by coupling again, µs.
        coupling_dof: its degrees of freedom; infinite where it is stated. Where it is finite, the
            calibration is taken to rest on the same estimate.
        coupling_basis: where it is from.
        resolution_mm: width of the last digit, or of a sample, mm; what the scatter does not
            average of it, see `resolution`.
        u_temperature_kelvin: standard uncertainty of the difference of the temperatures of part
            and block, K.
        coefficient_per_kelvin: share of the velocity lost per kelvin.
        u_coefficient_per_kelvin: its standard uncertainty.
        temperature_difference_kelvin: part less block, K, which is corrected.
        uncorrected_kelvin: part less block, K, where it is known and not corrected.

    Raises:
        CalibrationError: a thickness, correlation or uncertainty that cannot be.
    """
    if not (math.isfinite(thickness) and thickness > 0):
        msg = f"'thickness' must be > 0 mm (got {thickness})"
        raise CalibrationError(msg)
    if not -1 <= correlation <= 1:
        msg = f"'correlation' must lie from -1 to 1 (got {correlation})"
        raise CalibrationError(msg)
    path = math.hypot(thickness, law.separation / 2)
    wall_per_path = path / thickness
    by_velocity = wall_per_path * path / law.velocity * u_velocity
    by_zero = -wall_per_path * law.velocity * law.temperature_factor / 2 * u_zero_offset
    square = by_velocity**2 + by_zero**2 + 2 * correlation * by_velocity * by_zero
    by_factor = wall_per_path * path / law.temperature_factor
    by_time = wall_per_path * law.velocity * law.temperature_factor / 2
    coupling_mm = by_time * coupling_us
    measured = "couplings" if math.isfinite(coupling_dof) else ""
    uncorrected = by_factor * abs(uncorrected_kelvin)
    return [
        Component(
            name="calibration",
            # full correlation may leave -1e-20 of rounding
            standard_uncertainty=math.sqrt(max(square, 0.0)),
            dof=calibration_dof,
            basis=calibration_basis or "velocity and zero offset with their correlation",
            shared=measured,
        ),
        Component(
            name="coupling",
            standard_uncertainty=coupling_mm,
            dof=coupling_dof,
            basis=coupling_basis or "standard deviation between couplings",
            shared=measured,
        ),
        Component(
            name="repeatability",
            standard_uncertainty=repeatability_mm,
            dof=repeatability_dof,
            basis="standard deviation of readings",
        ),
        Component(
            name="resolution",
            standard_uncertainty=rounding_uncertainty(
                resolution_mm, math.hypot(coupling_mm, repeatability_mm)
            ),
            basis="rectangular, width / sqrt(12), less what the scatter averages",
        ),
        Component(
            name="temperature",
            standard_uncertainty=by_factor * abs(coefficient_per_kelvin) * u_temperature_kelvin,
            basis="of part and block, by the temperature coefficient",
        ),
        Component(
            name="temperature coefficient",
            standard_uncertainty=by_factor
            * abs(temperature_difference_kelvin)
            * u_coefficient_per_kelvin,
            basis="over the difference between part and block",
        ),
        Component(
            name="temperature difference",
            standard_uncertainty=uncorrected
            * (abs(coefficient_per_kelvin) + u_coefficient_per_kelvin),
            basis="known and not corrected: its whole effect, which has one sign",
        ),
    ]


def minimum_bias(n: int, sd: float) -> float:
    """Return by how much the minimum of `n` readings of one wall is expected to read too thin.

    Readings are normal with standard deviation `sd` and independent. G. Blom's approximation of
    the expected smallest order statistic, ``sd * ndtri((1 - 3/8) / (n + 1/4))`` (Statistical
    Estimates and Transformed Beta-Variables, 1958; from memory). Against numerical integration it
    is 4.5 % too large at n = 2, 1.5 % at 5 and within 1 % from 10 to a million.

    Args:
        n: readings of which the minimum is taken, 1 or more.
        sd: of one reading.

    Returns:
        The shortfall in the unit of `sd`, 0 or more: to be added to a minimum reading.

    Raises:
        CalibrationError: no reading, or a spread below zero.
    """
    if n < 1:
        msg = f"'n' must be 1 or more (got {n})"
        raise CalibrationError(msg)
    if not (math.isfinite(sd) and sd >= 0):
        msg = f"'sd' must be >= 0 (got {sd})"
        raise CalibrationError(msg)
    if n == 1:
        return 0.0
    from scipy.special import ndtri

    return -sd * float(ndtri(0.625 / (n + 0.25)))
