"""The next step by hand, for the terminal and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.display_units import DisplayUnits
from swathe.pipeline import Pipeline
from swathe.station import AxisNames, LineAdvance

if TYPE_CHECKING:
    from swathe.motion import HandStep

__all__ = ["step_by_hand", "words_by_hand"]


def step_by_hand(pipeline: Pipeline, at: tuple[float | None, float | None]) -> HandStep:
    """Return the next step by hand.

    Args:
        pipeline: has the cells and gaps, and the gaps that somebody requested, which come first.
        at: position of the probe, scan and index in mm; None where unknown.
    """
    # Imported here: nobody asks before the ports are open.
    from swathe.motion import HandSurvey, next_by_hand

    station, grid = pipeline.station, pipeline.grid
    scan, index = at
    stepped = station.index is not None and not station.index_encoded
    if index is None and station.index is None:
        index = grid.index.start  # a line profile has one line, and the probe is on it
    elif index is None and stepped:
        index = float(grid.index.centres[pipeline.line])
    survey = HandSurvey(
        grid=grid,
        coverage=pipeline.coverage,
        line=pipeline.line if stepped or station.index is None else None,
        advance=LineAdvance.COMMAND if station.index is None else station.index.advance,
        speed_limit=pipeline.speed_limit,
    )
    position = None if scan is None or index is None else (scan, index)
    requested = [one.number for one in pipeline.requests.gaps]
    return next_by_hand(survey, at=position, requested=requested)


def words_by_hand(pipeline: Pipeline, step: HandStep, units: DisplayUnits | None = None) -> str:
    """Return a step by hand as text, in parts separated by semicolons; the first has it all.

    Lengths are in `units`, those of the station by default.
    While a position is lost, no stroke counts: the step is to give the place of the probe.
    """
    from swathe.motion import HandText, hand_text

    if lost := pipeline.lost_axes:
        return f"rest the probe on a known place and give it; {' and '.join(lost)} position is lost"
    station = pipeline.station
    text = HandText(
        index=pipeline.grid.index,
        units=station.display if units is None else units,
        scan_names=station.scan,
        index_names=AxisNames() if station.index is None else station.index,
        scan_length=station.scan.length,
    )
    return hand_text(step, text)
