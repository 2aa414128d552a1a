"""What a device's channels held: further numbers such as its temperature, which place nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe_drivers import Batch, ChannelFormat

__all__ = ["ChannelTally", "channels_by_name"]


@dataclass(slots=True)
class ChannelTally:
    """One channel through the runs of a survey.

    Attributes:
        unit: as the device's settings have it.
        readings: readings with which a value was known.
        minimum: of these values; NaN without any.
        maximum: likewise.
        newest: the value of the newest of these readings; NaN without any.
    """

    unit: str
    readings: int = 0
    minimum: float = float("nan")
    maximum: float = float("nan")
    newest: float = float("nan")

    @staticmethod
    def count(
        tallies: dict[str, ChannelTally],
        channels: Sequence[ChannelFormat],
        values: NDArray[np.float64] | None,
    ) -> None:
        """Add the channels of readings, shape (n, channels), to the tallies by name, in place."""
        for number, channel in enumerate(channels):
            tally = tallies.setdefault(channel.name, ChannelTally(channel.unit))
            known = np.empty(0) if values is None else values[:, number]
            known = known[~np.isnan(known)]
            if not known.size:
                continue
            tally.unit = channel.unit
            tally.readings += int(known.size)
            tally.minimum = float(np.fmin(tally.minimum, known.min()))
            tally.maximum = float(np.fmax(tally.maximum, known.max()))
            tally.newest = float(known[-1])


def channels_by_name(
    channels: Sequence[ChannelFormat], batch: Batch, names: Sequence[str]
) -> NDArray[np.float64] | None:
    """Return the channels `names` of a batch's readings, shape (n, names); None without names.

    A channel that the device did not send in this run, as its settings were others, is NaN.

    Args:
        channels: what the columns of the batch's channels are.
        batch: of the device.
        names: of the layers.
    """
    if not names:
        return None
    values = batch.channels
    sent = {channel.name: number for number, channel in enumerate(channels)}
    if values is not None and tuple(sent) == tuple(names):
        return values
    found = np.full((batch.readings.size, len(names)), np.nan)
    for column, name in enumerate(names):
        if values is not None and name in sent:
            found[:, column] = values[:, sent[name]]
    return found
