"""A second source of an axis's position: it places nothing, but shows where the first one slips."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.encoded_axis import EncodedAxis
from swathe.pipeline.placing.slip import SlipWatch
from swathe.pipeline.placing.streams import TimedBatch
from swathe.station import AxisSettings

__all__ = ["SecondSource", "second_sources"]


class SecondSource:
    """A second source of an axis's position, which places nothing.

    Args:
        name: of the axis, which has a table ``second``.
        settings: of the axis.
        first: the axis as its first source gives it.
        links: the devices.
        limits: as of `EncodedAxis`.
    """

    def __init__(
        self,
        name: str,
        settings: AxisSettings,
        first: EncodedAxis,
        links: dict[str, DeviceLink],
        limits: dict[str, int],
    ) -> None:
        second = settings.second
        assert second is not None  # noqa: S101  the caller has looked
        same = settings.model_copy(
            update={
                **second.model_dump(include={"device", "counts", "counts_per_mm", "reversed"}),
                "wheel": second.wheel,
                "backlash": 0.0,
            }
        )
        self.axis = EncodedAxis(name, same, links, limits["bracket_ns"], limits["lateness_ns"])
        self.has_mark = settings.index_mark_at is not None
        self.watch = SlipWatch(
            name,
            first.track,
            self.axis.track,
            second.tolerance,
            lateness_ns=limits["lateness_ns"],
        )

    def take(self, batch: TimedBatch) -> None:
        """Add the samples of a batch of its device."""
        counts = batch.positions["counts"][:, self.axis.column]
        positions = self.axis.scale.positions(counts)
        self.axis.track.append(batch.positions["time"], positions, known=batch.positions_known_at)


def second_sources(
    axes: Iterable[EncodedAxis],
    settings: Mapping[str, AxisSettings | None],
    links: dict[str, DeviceLink],
    limits: dict[str, int],
) -> dict[str, SecondSource]:
    """Return the second sources of those axes that have one, by the name of the axis."""
    found: dict[str, SecondSource] = {}
    for axis in axes:
        one = settings.get(axis.name)
        if one is not None and one.second is not None:
            found[axis.name] = SecondSource(axis.name, one, axis, links, limits)
    return found
