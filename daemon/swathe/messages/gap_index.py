"""Where all open gaps are, in one message: also those that have no message of their own."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Message
from swathe.pipeline import GapCause
from swathe.pipeline.progress.fields import Extent, Snapshot

__all__ = ["GapBlock", "GapIndexMessage"]


class GapBlock(Snapshot):
    """A block of the plan in which gaps are open: by the middle of their extents."""

    scan: Extent = Field(description="borders of the block, mm")
    index: Extent = Field(description="borders of the block, mm")
    gaps: int = Field(description="open gaps in it")
    cells: int = Field(description="their missing cells")


class GapIndexMessage(Message):
    """All open gaps of a survey that has more than have a message of their own."""

    message: Annotated[Literal["gaps"], KIND] = "gaps"
    open: int = Field(description="open gaps")
    cells: int = Field(description="their missing cells")
    causes: dict[GapCause, int] = Field(description="open gaps by their commonest cause")
    listed: int = Field(
        description="open gaps that have a message of their own: the largest, and those nearest to the probe"
    )
    blocks: tuple[GapBlock, ...] = Field(
        description="where they are; blocks without any are left out"
    )
