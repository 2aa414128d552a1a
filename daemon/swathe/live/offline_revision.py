"""A revision of a survey that is not being scanned: a run of its own in the journal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from swathe.errors import SwatheError
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.reviser import REFUSED, Reviser
from swathe.live.session import Session
from swathe.station import Station
from swathe.store import SurveyFolder

__all__ = ["revise_offline"]


async def revise_offline(
    station: Station,
    text: str,
    folder: SurveyFolder,
    act: Callable[[Reviser], str],
    *,
    on_torn: Callable[[Path, str], None] | None = None,
) -> str:
    """Write a revision into the journal and return what it does; `rebuild` then applies it.

    Args:
        station: the station file of the newest run, and
        text: its text.
        folder: the survey.
        act: discards, moves or restores.
        on_torn: called with journal files that a crash cut off.

    Raises:
        SwatheError: it is refused, with the reason; or the survey is in use.
    """
    observer = DelayEstimator(station).watch
    with Session(
        folder, station, text, on_torn=on_torn, observer=observer, purpose="revision"
    ) as session:
        session.resume()
        answer = act(Reviser(station, session))
        refused = answer.startswith(REFUSED)
        await session.end("incomplete", "nothing revised" if refused else "revised")
    if refused:
        raise SwatheError(answer.removeprefix(REFUSED))
    return answer
