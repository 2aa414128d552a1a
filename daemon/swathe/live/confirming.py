"""The commands by which a person says that a doubtful thickness is real, or spurious."""

from __future__ import annotations

from swathe.journal import MarkKind
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.pipeline.progress.confirm_snapshot import confirm_snapshot
from swathe.pipeline.spurious.register import PlaceState

__all__ = ["decide"]


def decide(session: Session, number: int, by: str, reason: str, *, is_real: bool) -> str:
    """Journal a person's decision about a place; return what was done or why not.

    Args:
        session: whose journal takes the mark.
        number: of the place.
        by: who decides.
        reason: why.
        is_real: whether the thickness is confirmed, rather than rejected.
    """
    pipeline = session.pipeline
    place = pipeline.spurious.register.find(number)
    if place is None:
        return f"{REFUSED}there is no place {number} to confirm"
    if place.state is PlaceState.SETTLED:
        return f"{REFUSED}place {number} is settled: {place.reason}"
    if place.state is PlaceState.CONFIRMED and not place.by:
        return f"{REFUSED}place {number} was {place.reason}: to take readings out, discard them"
    snapshot = confirm_snapshot(place, pipeline.grid)
    session.mark(
        MarkKind.CONFIRMED if is_real else MarkKind.REJECTED,
        place=number,
        scan=snapshot.scan,
        index=snapshot.index,
        thickness=place.value,
        by=by,
        text=reason,
    )
    wall = pipeline.station.display.thickness_text(place.value)
    if is_real:
        return f"place {number}: {wall} is confirmed by {by}"
    return f"place {number}: {wall} is rejected by {by}; it stays listed"
