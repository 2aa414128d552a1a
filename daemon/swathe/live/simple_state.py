"""The state message of a station that has no pipeline yet, or that nobody hears from any more."""

from __future__ import annotations

import time

from swathe.messages import StateMessage, moment
from swathe.station import Station

__all__ = ["simple_state"]


def simple_state(
    station: Station, survey: str, state: str, reason: str, *, session: str
) -> StateMessage:
    """Return a state message without what only the pipeline knows, of the present time.

    Args:
        station: the station file.
        survey: identity of the survey.
        state: as `StateMessage` lists them.
        reason: in words.
        session: of this process.
    """
    return StateMessage.model_validate(
        {
            "station": station.name,
            "survey": survey,
            "time": moment(time.time_ns()),
            "state": state,
            "reason": reason,
            "part": station.survey.part,
            "session": session,
        }
    )
