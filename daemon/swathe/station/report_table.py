"""The table ``[report]`` of a station file: what the cover of a survey's report names."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints

from swathe.station.table import StationTable

__all__ = ["ReportSettings"]

_Entry = Annotated[str, StringConstraints(max_length=200)]


class ReportSettings(StationTable):
    """Entries of a report's cover; an empty one stays as a line to fill in by hand."""

    number: _Entry = Field("", description="of the report")
    client: _Entry = Field("", description="for whom the survey was made")
    site: _Entry = Field("", description="where the part is")
    drawing: _Entry = Field("", description="drawing or item number of the part")
    order: _Entry = Field("", description="of the client")
    procedure: _Entry = Field("", description="the written procedure, with its revision")
    surface: _Entry = Field("", description="condition of the scanned surface")
    examiner: _Entry = Field("", description="who examined; the survey's operators unless given")
    qualification: _Entry = Field("", description="of the examiner: scheme, level, number")
    reviewer: _Entry = Field("", description="who reviews the report")
    witness: _Entry = Field("", description="who attended for the client")
    remarks: Annotated[str, StringConstraints(max_length=2000)] = ""
