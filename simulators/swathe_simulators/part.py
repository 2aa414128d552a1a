"""The wall that is measured: thickness as an exact function of the position."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from swathe_simulators.base import Bools, Floats
from swathe_simulators.scenario_models import PartModel, RectangleModel

MINIMUM_MM = 1.0
"""No hollow leaves less of the wall: the simulated penstock leaks in no scenario."""


def inside(rectangle: RectangleModel, scan: Floats, index: Floats) -> Bools:
    """Return which positions are in a rectangle, edges included; shapes (n,), mm."""
    (scan_low, scan_high), (index_low, index_high) = rectangle.scan_mm, rectangle.index_mm
    result: Bools = (
        (scan >= scan_low) & (scan <= scan_high) & (index >= index_low) & (index <= index_high)
    )
    return result


class Part:
    """A pipe wall unrolled to a plane of scan × index.

    Corrosion listed in the model is taken as given; `random_thinning` and
    `random_pits` more hollows are drawn inside the part's area from `random`.
    """

    def __init__(self, model: PartModel, random: np.random.Generator) -> None:
        self.model = model
        hollows = [
            (t.scan_mm, t.index_mm, t.sigma_scan_mm, t.sigma_index_mm, t.depth_mm)
            for t in model.thinning
        ]
        # A Gaussian with sigma = radius / 2 has fallen to exp(-2) at the radius.
        hollows += [
            (p.scan_mm, p.index_mm, p.radius_mm / 2, p.radius_mm / 2, p.depth_mm)
            for p in model.pits
        ]
        hollows += self._drawn(model, random)
        self._hollows: Floats = np.array(hollows, dtype=np.float64).reshape(-1, 5)

    @staticmethod
    def _drawn(
        model: PartModel, random: np.random.Generator
    ) -> list[tuple[float, float, float, float, float]]:
        drawn = []
        width = model.scan_mm[1] - model.scan_mm[0]
        for number in range(model.random_thinning + model.random_pits):
            scan, index = random.uniform(*model.scan_mm), random.uniform(*model.index_mm)
            if number < model.random_thinning:
                sigma_scan, sigma_index = width * random.uniform(0.05, 0.15, size=2)
                depth = random.uniform(*model.random_thinning_depth_mm)
            else:
                sigma_scan = sigma_index = random.uniform(*model.random_pit_radius_mm) / 2
                depth = random.uniform(*model.random_pit_depth_mm)
            drawn.append((scan, index, float(sigma_scan), float(sigma_index), depth))
        return drawn

    @property
    def hollows(self) -> Floats:
        """All hollows, shape (n, 5): scan, index, sigma scan, sigma index, depth; mm."""
        return self._hollows.copy()

    def thickness(self, scan: npt.ArrayLike, index: npt.ArrayLike) -> Floats:
        """Return the true wall thickness in mm.

        Args:
            scan: positions along the scan axis in mm.
            index: positions along the index axis in mm; the two broadcast.

        Returns:
            Thickness in mm, of the broadcast shape; no hollow leaves less than 1 mm. On the
            edge of two steps it is that of the step listed later.
        """
        s, i = np.broadcast_arrays(
            np.asarray(scan, dtype=np.float64), np.asarray(index, dtype=np.float64)
        )
        wall: Floats = np.full(s.shape, self.model.nominal_mm, dtype=np.float64)
        for step in self.model.steps:
            wall[(s >= step.from_mm) & (s <= step.to_mm)] = step.thickness_mm
        thinnest = np.minimum(wall, MINIMUM_MM)
        for weld in self.model.welds:
            position = s if weld.axis == "scan" else i
            wall += np.where(
                (position >= weld.from_mm) & (position <= weld.to_mm), weld.crown_mm, 0.0
            )
        if self._hollows.size:
            scan0, index0, sigma_scan, sigma_index, depth = self._hollows.T
            squares = ((s[..., None] - scan0) / sigma_scan) ** 2
            squares += ((i[..., None] - index0) / sigma_index) ** 2
            wall -= np.exp(-0.5 * squares) @ depth
        result: Floats = np.maximum(wall, thinnest)
        return result

    def obstructed(self, scan: Floats, index: Floats) -> Bools:
        """Return where an obstruction on the wall keeps the probe off."""
        result: Bools = np.zeros(np.shape(scan), dtype=np.bool_)
        for rectangle in self.model.obstructions:
            result |= inside(rectangle, scan, index)
        return result

    def metadata(self) -> dict[str, Any]:
        """Return the model and the hollows as plain data, for the truth file."""
        return {**self.model.model_dump(mode="json"), "hollows": self._hollows.tolist()}
