"""The message of places whose thickness is to be confirmed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Heading, Message
from swathe.pipeline.progress.confirm_snapshot import ConfirmSnapshot

__all__ = ["ConfirmMessage"]

_MOST = 100


class ConfirmMessage(Message):
    """The places to confirm, most dangerous first; rejected ones are last."""

    message: Annotated[Literal["confirm"], KIND] = "confirm"
    places: tuple[ConfirmSnapshot, ...] = Field(
        description="the first 100 of them: low values before high ones, the thinnest first"
    )
    total: int = Field(description="how many there are")

    @classmethod
    def of_places(cls, places: Sequence[ConfirmSnapshot], heading: Heading) -> ConfirmMessage:
        """Return the message of all listed places of a survey, in their order."""
        return cls(**heading, places=tuple(places[:_MOST]), total=len(places))
