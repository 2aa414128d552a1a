"""What every table of a station file has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

__all__ = ["Table"]


class Table(BaseModel):
    """A table: frozen, and no key in it that is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=False)
