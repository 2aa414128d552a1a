"""What the readings of a survey may be off by: apart for each, and together for all.

What all readings of a survey share, as an error of velocity or zero offset, is in every cell of its map
with one sign, and no mean over cells makes it smaller. Only what is apart for each reading or coupling
is averaged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from swathe.arrays import Floats
from swathe.calibration import Combined, combine
from swathe.errors import SwatheError
from swathe.station import Station, budget_of
from swathe.store import SurveyRecord

__all__ = ["SurveyErrors", "errors_of"]

_NODES = 24
_OWN = ("repeatability", "coupling")
_OTHER_CALIBRATION = (
    "its calibration is another than the one in its journal: what its readings share is that of its "
    "minimum, in proportion to the thickest wall compared"
)
# The record rounds to five decimals.
_SAME_MM = 2e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyErrors:
    """Standard uncertainties of a survey's readings, mm.

    Attributes:
        repeatability: of a single reading, apart for each; 0 where it is not known: what cells next
            to each other scatter by is taken in any case, if that is more.
        coupling: of a coupling, apart for each cell; 0 where it is not known.
        place: of a reading's place along the scan axis.
        thickness: at which `shared` is given, rising; empty for one value at every thickness.
        shared: what all readings share: calibration, temperature, rounding.
        shared_dof: its degrees of freedom.
        missing: why what the readings share is not known; empty where it is. No interval is stated then.
        notes: what is assumed.
    """

    repeatability: float = 0.0
    coupling: float = 0.0
    place: float = 0.0
    thickness: Floats = field(default_factory=lambda: np.zeros(0))
    shared: Floats = field(default_factory=lambda: np.zeros(1))
    shared_dof: float = math.inf
    missing: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what is no uncertainty.

        Raises:
            SwatheError: a value below zero or none.
        """
        values = [self.repeatability, self.coupling, self.place, *self.shared.tolist()]
        if not all(math.isfinite(one) and one >= 0 for one in values):
            message = f"uncertainties must be >= 0 mm (got {values})"
            raise SwatheError(message)

    @classmethod
    def stated(cls, shared: float, *, place: float = 0.0) -> SurveyErrors:
        """Return the errors where a person states what all readings of a survey share, mm."""
        return cls(shared=np.array([shared]), place=place)

    def shared_at(self, thickness: Floats) -> Floats:
        """Return what all readings share at thicknesses, mm."""
        if not self.thickness.size:
            return np.full(np.shape(thickness), self.shared[0])
        return np.asarray(np.interp(thickness, self.thickness, self.shared))


def errors_of(
    record: SurveyRecord, station: Station | None, low: float, high: float
) -> SurveyErrors:
    """Return the errors of a survey's readings by its budget.

    Args:
        record: of the survey.
        station: its station file, from the journal; None where it cannot be read.
        low: thinnest wall of interest, mm.
        high: thickest.
    """
    place = 0.0 if record.place is None else record.place.standard_mm
    known = record.uncertainty
    if known is None:
        return SurveyErrors(
            place=place,
            missing="it has no calibration record with readings of a block, so that what all its "
            "readings share is not known",
        )
    if known.not_covered:
        return SurveyErrors(place=place, missing=known.not_covered[0])
    own = {part.name: part.standard_mm for part in known.components if part.name in _OWN}
    repeatability, coupling = (own.get(name, 0.0) for name in _OWN)
    if station is not None and _is_same(budget_of(station, known.thickness_mm), known.standard_mm):
        walls = np.linspace(low, high, _NODES) if high > low else np.array([low, low * 1.001])
        rest = [_shared(budget_of(station, float(wall))) for wall in walls]
        return SurveyErrors(
            repeatability=repeatability,
            coupling=coupling,
            place=place,
            thickness=walls,
            shared=np.array([one.standard_uncertainty for one in rest]),
            shared_dof=max(min(one.effective_dof for one in rest), 1.0),
        )
    # The survey was computed with another calibration than the one it began with.
    shared = math.hypot(*(part.standard_mm for part in known.components if part.name not in _OWN))
    return SurveyErrors(
        repeatability=repeatability,
        coupling=coupling,
        place=place,
        shared=np.array([shared * max(1.0, high / known.thickness_mm)]),
        shared_dof=_dof(known.coverage_factor, known.coverage),
        notes=(_OTHER_CALIBRATION,),
    )


def _is_same(budget: Combined | None, standard: float) -> bool:
    return budget is not None and abs(budget.standard_uncertainty - standard) < _SAME_MM


def _shared(budget: Combined | None) -> Combined:
    parts = () if budget is None else budget.components
    return combine(part for part in parts if part.name not in _OWN)


def _dof(factor: float | None, coverage: float | None) -> float:
    """Return the degrees of freedom at which Student's t has a factor."""
    from scipy.special import stdtrit

    if factor is None or coverage is None:
        return 1.0
    dof = np.arange(1, 1000)
    factors = stdtrit(dof, (1 + coverage) / 2)
    # Rounded down: fewer degrees of freedom are the wider interval.
    return float(dof[max(int(np.searchsorted(-factors, -factor)) - 1, 0)])
