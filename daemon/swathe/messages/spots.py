"""The messages of a plan of spots: each spot, and the one that is to be read."""

from __future__ import annotations

from typing import Annotated, Literal

from swathe.messages.base import KIND, Message
from swathe.pipeline.spots.snapshot import SpotNowSnapshot, SpotSnapshot

__all__ = ["SpotMessage", "SpotsMessage"]


class SpotMessage(Message, SpotSnapshot):
    """A spot of the plan, and what was read there."""

    message: Annotated[Literal["spot"], KIND] = "spot"


class SpotsMessage(Message, SpotNowSnapshot):
    """The spot that is to be read, and what the gauge reads now."""

    message: Annotated[Literal["spots"], KIND] = "spots"
