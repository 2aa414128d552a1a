"""An axis without an encoder: nothing is placed by it, and its position is never known."""

from __future__ import annotations

from swathe.pipeline.placing.track import EncodedTrack

__all__ = ["UnencodedAxis"]


class UnencodedAxis:
    """The scan axis of a plan of spots.

    Args:
        name: of the axis.

    Attributes:
        name: as above.
        device: empty: none gives its position.
        column: -1 likewise.
        track: without a sample.
        position: None, as it is unknown.
        last_time: None, as there is no sample.
        same_within: 0 mm, as no two positions can differ.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.device = ""
        self.column = -1
        self.track = EncodedTrack(bracket_ns=1)
        self.position: float | None = None
        self.last_time: int | None = None
        self.same_within = 0.0
