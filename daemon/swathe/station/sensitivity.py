"""The table ``[sensitivity]``: the reference echo and by how much its height may deviate."""

from __future__ import annotations

from pydantic import Field

from swathe.station.table import StationTable
from swathe.units import Decibels, Length, Percent

__all__ = ["SensitivitySettings"]


class SensitivitySettings(StationTable):
    """How the sensitivity is checked: the height that the reference echo is set to."""

    reference: Percent = Field(gt=0, le=100, description="height of the echo, % of full screen")
    tolerance: Decibels = Field(gt=0, le=20, description="greatest deviation that passes, dB")
    block: str = Field("", description="that gives the echo")
    step: Length | None = Field(None, gt=0, description="of the block, mm")
