"""The state message of a station that has no pipeline yet, or that nobody hears from any more."""

from __future__ import annotations

import time

from swathe.live.resumption_progress import ResumptionProgress
from swathe.live.run_state import DecidedState
from swathe.messages import StateMessage, moment
from swathe.station import Station

__all__ = ["simple_state"]


def simple_state(
    station: Station,
    survey: str,
    decided: DecidedState,
    *,
    session: str,
    progress: ResumptionProgress | None = None,
) -> StateMessage:
    """Return a state message without what only the pipeline knows, of the present time.

    Args:
        station: the station file.
        survey: identity of the survey.
        decided: the state.
        session: of this process.
        progress: of the replay, while the survey is resumed.
    """
    now = moment(time.time_ns())
    since = now if progress is None else progress.since
    return StateMessage(
        station=station.name,
        survey=survey,
        time=now,
        state=decided.state,
        reason=decided.reason,
        since=None if decided.state == "offline" else since,
        resumed=None if progress is None else progress.percent,
        resumed_in=None if progress is None else progress.seconds_left,
        part=station.survey.part,
        session=session,
    )
