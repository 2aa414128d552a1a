"""The message of readings that operators discarded or moved to another line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Heading, Message
from swathe.pipeline.progress.revision_snapshots import RevisionSnapshot

__all__ = ["RevisionsMessage"]


class RevisionsMessage(Message):
    """The readings that operators discarded or moved, those restored since too."""

    message: Annotated[Literal["revisions"], KIND] = "revisions"
    revisions: tuple[RevisionSnapshot, ...] = Field(
        description="in the order in which they were made; empty when there is none"
    )

    @classmethod
    def of_revisions(
        cls, revisions: Sequence[RevisionSnapshot], heading: Heading
    ) -> RevisionsMessage:
        """Return the message of all revisions of a survey."""
        return cls(**heading, revisions=tuple(revisions))
