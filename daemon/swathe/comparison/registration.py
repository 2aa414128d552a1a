"""Where the places of one survey are in another: a shift and a rotation, and how well they are known."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from swathe.arrays import Floats
from swathe.errors import SwatheError

__all__ = ["Registration"]

_PARAMETERS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """Shift and rotation from the coordinates of an earlier survey to those of a later one.

    A place at ``q`` in the earlier survey is at ``centre + R (q - centre) + shift`` in the later one, where
    ``R`` turns by `rotation` from the scan axis towards the index axis.

    Attributes:
        scan: shift along the scan axis, mm.
        index: shift along the index axis, mm.
        rotation: degrees.
        centre: (scan, index) about which is turned, mm; the shift is that of this place.
        basis: ``datum`` where both are stated, ``pattern`` where they were found in the wall.
        covariance: of (scan in mm, index in mm, rotation in radians), shape (3, 3); zero where
            nothing is stated of it.
        stated: whether `covariance` was stated or found. Where it was not, how well the datum
            was found again is in no interval.
    """

    scan: float = 0.0
    index: float = 0.0
    rotation: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    basis: Literal["datum", "pattern"] = "datum"
    covariance: Floats = field(default_factory=lambda: np.zeros((_PARAMETERS, _PARAMETERS)))
    stated: bool = False

    def __post_init__(self) -> None:
        """Refuse what is no registration.

        Raises:
            SwatheError: a shift, a rotation or its covariance that cannot be.
        """
        values = (self.scan, self.index, self.rotation, *self.centre)
        if not all(map(math.isfinite, values)):
            message = f"shift and rotation must be finite (got {values})"
            raise SwatheError(message)
        if self.covariance.shape != (_PARAMETERS, _PARAMETERS) or not np.all(
            np.diag(self.covariance) >= 0
        ):
            message = "the covariance of shift and rotation must be 3 by 3, with variances >= 0"
            raise SwatheError(message)

    @property
    def radians(self) -> float:
        """The rotation in radians."""
        return math.radians(self.rotation)

    @property
    def standard(self) -> tuple[float, float, float]:
        """Standard uncertainties of scan and index shift, mm, and of the rotation, degrees."""
        scan, index, turn = np.sqrt(np.diag(self.covariance)).tolist()
        return scan, index, math.degrees(turn)

    def to_earlier(self, scan: Floats, index: Floats) -> tuple[Floats, Floats]:
        """Return where places of the later survey are in the earlier one, mm; shapes broadcast."""
        return self._turn(
            scan - self.centre[0] - self.scan, index - self.centre[1] - self.index, -self.radians
        )

    def to_later(self, scan: Floats, index: Floats) -> tuple[Floats, Floats]:
        """Return where places of the earlier survey are in the later one, mm; shapes broadcast."""
        x, y = self._turn(scan - self.centre[0], index - self.centre[1], self.radians)
        return x + self.scan, y + self.index

    def _turn(self, x: Floats, y: Floats, radians: float) -> tuple[Floats, Floats]:
        cosine, sine = math.cos(radians), math.sin(radians)
        return (
            self.centre[0] + cosine * x - sine * y,
            self.centre[1] + sine * x + cosine * y,
        )

    def at(self, centre: tuple[float, float]) -> Registration:
        """Return the same registration with its shift at another place.

        Args:
            centre: (scan, index) in the earlier survey, mm.
        """
        x, y = self.to_later(np.float64(centre[0]), np.float64(centre[1]))  # type: ignore[arg-type]
        dx, dy = centre[0] - self.centre[0], centre[1] - self.centre[1]
        cosine, sine = math.cos(self.radians), math.sin(self.radians)
        # The shift there changes with the rotation as the place itself does.
        change = np.eye(_PARAMETERS)
        change[0, 2] = -sine * dx - cosine * dy
        change[1, 2] = cosine * dx - sine * dy
        return Registration(
            scan=float(x) - centre[0],
            index=float(y) - centre[1],
            rotation=self.rotation,
            centre=centre,
            basis=self.basis,
            covariance=change @ self.covariance @ change.T,
            stated=self.stated,
        )
