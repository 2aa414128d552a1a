"""What every message is made of."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal, Self, TypedDict

from pydantic import Field

from swathe.pipeline.progress.fields import Snapshot, UtcTime

__all__ = ["KIND", "Heading", "Message"]

KIND: Any = Field(description="kind of message; one a topic")
"""Of the field `message` of each message."""


class Heading(TypedDict):
    """What every message begins with."""

    station: str
    survey: str
    time: datetime


class Message(Snapshot):
    """The heading of a message: which contract, station and survey, and when."""

    version: Literal[1] = Field(
        1,
        description="of the contract: a new one where a field is renamed, removed or has another meaning",
    )
    station: str = Field(description="name of the station, as in its station file and topics")
    survey: str = Field(description="identity of the survey, new for each new survey")
    time: UtcTime = Field(description="when it was made: by the survey's time, UTC")

    @classmethod
    def of(cls, facts: object, heading: Heading, **other: Any) -> Self:  # noqa: ANN401  any field
        """Return the message of what has the message's fields as attributes.

        Args:
            facts: a snapshot, or another object with attributes of the fields' names.
            heading: station, survey and time.
            other: fields that are not attributes of `facts`.
        """
        own = {
            name: getattr(facts, name)
            for name in cls.model_fields
            if name not in Message.model_fields and hasattr(facts, name)
        }
        return cls.model_validate({**own, **heading, **other})
