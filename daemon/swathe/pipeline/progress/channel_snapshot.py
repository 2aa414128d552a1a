"""What a device's channels held, as it is published."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from swathe.pipeline.placing.channel_tally import ChannelTally
from swathe.pipeline.progress.fields import Digits, Snapshot, count_text, number_text

__all__ = ["ChannelSnapshot", "channel_snapshots"]

_DIGITS = 3


class ChannelSnapshot(Snapshot):
    """A further number that a device sends, such as its temperature."""

    name: str = Field(description="of the channel, and of its layer in the arrays")
    unit: str = Field(description="as the device's settings have it; 1 without one")
    readings: int = Field(description="readings with which a value was known")
    minimum: Annotated[float | None, Digits(_DIGITS)] = Field(
        description="minimum of these values, in 'unit'; null without any"
    )
    maximum: Annotated[float | None, Digits(_DIGITS)] = Field(
        description="maximum of these values, in 'unit'; null without any"
    )
    newest: Annotated[float | None, Digits(_DIGITS)] = Field(
        description="that of the newest of these readings, in 'unit'; null without any"
    )

    @property
    def text(self) -> str:
        """What it held, in words."""
        if not self.readings:
            return f"{self.name}: no value"
        low, high, newest = (number_text(self, name) for name in ("minimum", "maximum", "newest"))
        unit = "" if self.unit == "1" else f" {self.unit}"
        held = f"{low}{unit}" if low == high else f"{low} to {high}{unit}, newest {newest}"
        return f"{self.name} {held} in {count_text(self.readings, 'reading')}"


def channel_snapshots(tallies: Mapping[str, ChannelTally]) -> tuple[ChannelSnapshot, ...]:
    """Return what a device's channels held, in the order of its settings."""
    return tuple(
        ChannelSnapshot(
            name=name,
            unit=tally.unit,
            readings=tally.readings,
            minimum=tally.minimum if tally.readings else None,
            maximum=tally.maximum if tally.readings else None,
            newest=tally.newest if tally.readings else None,
        )
        for name, tally in tallies.items()
    )
