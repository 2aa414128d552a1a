"""The next step by hand, for the terminal and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.display_units import DisplayUnits
from swathe.messages import PlanMessage
from swathe.pipeline import Pipeline
from swathe.pipeline.progress.confirm_snapshot import confirm_snapshot, confirm_text
from swathe.pipeline.spurious.register import PlaceState
from swathe.station import AxisNames, LineAdvance

if TYPE_CHECKING:
    from swathe.motion import HandStep

__all__ = ["step_by_hand", "words_by_hand"]

# Other passes after which a place is no longer proposed.
_MOST_PASSES = 2


def step_by_hand(pipeline: Pipeline, at: tuple[float | None, float | None]) -> HandStep:
    """Return the next step by hand.

    Args:
        pipeline: has the cells and gaps, and the gaps that somebody requested, which come first.
        at: position of the probe, of several that of their datum, scan and index in mm; None where
            unknown.
    """
    # Imported here: nobody asks before the ports are open.
    from swathe.motion import HandSurvey, carriage_of, next_by_hand

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
        carriage=carriage_of(station, pipeline.dead_probes),
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
    units = station.display if units is None else units
    if step.kind in ("line", "done") and (words := _place_to_confirm(pipeline, step, units)):
        return words
    text = HandText(
        index=pipeline.grid.index,
        units=units,
        scan_names=station.scan,
        index_names=AxisNames() if station.index is None else station.index,
        scan_length=station.scan.length,
    )
    return hand_text(step, text)


def _place_to_confirm(pipeline: Pipeline, step: HandStep, units: DisplayUnits) -> str:
    """Return the place to pass again before another line is begun, or at the end; empty for none.

    Of the low ones that one pass has read: on the line in force the most dangerous one, at the end that
    of all lines. One that two other passes read otherwise is a person's to decide.
    """
    grid = pipeline.grid
    for place in pipeline.spurious.register.listed:
        is_due = place.state is PlaceState.OPEN and place.is_low and place.others < _MOST_PASSES
        if not is_due or (step.kind == "line" and place.cell // grid.shape[1] != pipeline.line):
            continue
        where = PlanMessage.of_survey(pipeline).where
        text = confirm_text(confirm_snapshot(place, grid), units, where)
        return f"pass again, to confirm #{place.number}: {text}"
    return ""
