"""Which encoded axes of a run have no position, and why one cannot be given now."""

from __future__ import annotations

from collections.abc import Mapping

from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoded_axis import EncodedAxis

__all__ = ["LostPositions"]


class LostPositions:
    """The encoded axes of a run, as far as their positions are lost.

    Args:
        axes: the encoded axes.
        links: the devices.

    Attributes:
        unproven: names of axes without a good sample since bytes of the journal were lost.
    """

    def __init__(self, axes: tuple[EncodedAxis, ...], links: Mapping[str, DeviceLink]) -> None:
        self._axes = axes
        self._links = links
        self.unproven: set[str] = set()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the axes."""
        return tuple(axis.name for axis in self._axes)

    @property
    def lost(self) -> tuple[str, ...]:
        """Names of the axes whose position is lost."""
        return tuple(axis.name for axis in self._axes if axis.lost)

    @property
    def not_by_counts(self) -> tuple[str, ...]:
        """Names of the axes whose counts alone do not give the position any more."""
        return tuple(
            axis.name
            for axis in self._axes
            if axis.lost or axis.was_set or axis.name in self.unproven
        )

    def begin(
        self, names: tuple[str, ...], now: int, *, carried: bool = False, unknown: bool = False
    ) -> None:
        """A run begins at `now`, ns: what set these axes is known of the run before only.

        Args:
            names: of the axes.
            now: as above.
            carried: the run before ended while the probe was on the block: no axis has a position.
            unknown: marks of a run before may be lost: no axis has a position.
        """
        for axis in self._axes:
            if unknown:
                axis.begin_lost(now, "may have been set by marks that the journal has lost")
            elif carried:
                axis.begin_lost(now, "was lost in a calibration check of the run before")
            elif axis.name in names:
                axis.begin_lost(now)

    def no_reference(self, name: str) -> str | None:
        """Return why the position on an encoded axis cannot be set now; None if it can."""
        axis = next((axis for axis in self._axes if axis.name == name), None)
        if axis is None:
            return f"the {name} axis has no encoder"
        if self._links[axis.device].tally.state != "open":
            return f"the port of {axis.device} is not open"
        if axis.last_time is None and not axis.lost:
            return f"{axis.device} has sent no counts: move the encoder a little"
        if axis.is_damaged:
            return f"the last bytes of {axis.device} were no record: move the encoder a little"
        if not axis.at_rest:
            return f"the probe moves along {name}: hold it still"
        return None
