"""The carriage: where its probes are next to the datum, which of them are live, how far it reaches.

The datum is the point whose position the encoders give, and which a motion drives. A probe is at the
datum's position plus its own offset. A raster keeps one heading, so that offsets do not turn in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swathe.arrays import Floats
from swathe.station import SINGLE_PROBE, CarriageProbe

__all__ = ["ONE_PROBE", "Carriage", "CarriageBox"]

CarriageBox = tuple[float, float, float, float]
"""How far something reaches from the datum: scan from, to, index from, to; mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Carriage:
    """What moves as one piece.

    Attributes:
        probes: all of them, dead ones included; by default one at the datum.
        dead: numbers of those that give no readings: they cover nothing, but must not hit anything.
        body: how far the carriage itself reaches; None where only its probes are known.
    """

    probes: tuple[CarriageProbe, ...] = SINGLE_PROBE.probes
    dead: frozenset[int] = frozenset()
    body: CarriageBox | None = None

    @property
    def live(self) -> tuple[CarriageProbe, ...]:
        """The probes that give readings."""
        return tuple(probe for probe in self.probes if probe.number not in self.dead)

    @property
    def is_single(self) -> bool:
        """Whether it is planned as one probe at the datum."""
        return len(self.live) == 1 and not self.live[0].scan and not self.live[0].index

    @property
    def box(self) -> CarriageBox:
        """How far probes and body reach from the datum, mm."""
        scan = [probe.scan for probe in self.probes]
        index = [probe.index for probe in self.probes]
        if self.body is not None:
            scan += self.body[:2]
            index += self.body[2:]
        return min(scan), max(scan), min(index), max(index)

    def offsets(self, axis: int) -> Floats:
        """Return the offsets of the live probes, mm, shape (live probes,); axis 0 scan, 1 index."""
        return np.array([probe.index if axis else probe.scan for probe in self.live], float)

    def without(self, dead: frozenset[int]) -> Carriage:
        """Return the same carriage with these probes dead."""
        return replace(self, dead=dead)


ONE_PROBE = Carriage()
"""A carriage of one probe at the datum."""
