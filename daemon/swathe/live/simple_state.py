"""The state message of a station that has no pipeline yet, or that nobody hears from any more."""

from __future__ import annotations

import time

from swathe.live.run_state import DecidedState
from swathe.messages import StateMessage, moment
from swathe.station import Station

__all__ = ["simple_state"]


def simple_state(
    station: Station, survey: str, decided: DecidedState, *, session: str
) -> StateMessage:
    """Return a state message without what only the pipeline knows, of the present time.

    Args:
        station: the station file.
        survey: identity of the survey.
        decided: the state.
        session: of this process.
    """
    now = moment(time.time_ns())
    return StateMessage(
        station=station.name,
        survey=survey,
        time=now,
        state=decided.state,
        reason=decided.reason,
        since=None if decided.state == "offline" else now,
        part=station.survey.part,
        session=session,
    )
