"""The table of the page that the daemon serves."""

from __future__ import annotations

from pydantic import Field

from swathe.station.table import StationTable

__all__ = ["PageSettings"]


class PageSettings(StationTable):
    """The page that the daemon serves; there is one when the table is there.

    On a loopback address anyone on this machine sees it. On any other address a token is required,
    either that of `token_variable` or one made and printed at each start.
    """

    host: str = Field("127.0.0.1", min_length=1, description="address that is listened on")
    port: int = Field(8377, ge=0, le=65_535, description="0 for a free one, printed at the start")
    token_variable: str | None = Field(
        None, min_length=1, description="environment variable, never the token"
    )
    names: tuple[str, ...] = Field((), description="names under which viewers reach the page")
