"""The spots of a survey as text: a line each, what is not done, and the minimum by its name."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.pipeline import CouplingSnapshot, CouplingState, SpotSnapshot, SpotState
from swathe.pipeline.progress.fields import count_text, number_text
from swathe.pipeline.progress.snapshots import minimum_text
from swathe.store import SurveyRecord

__all__ = ["spots_summary", "spots_table"]


def spots_summary(record: SurveyRecord) -> str:
    """Return how many spots are done, the target and the minimum in one line."""
    progress = record.progress
    states = [spot.state for spot in record.spots]
    share = f"{number_text(progress, 'percent')} % of {count_text(progress.required, 'spot')}"
    verdict = "reached" if record.target_reached else "not reached"
    parts = [f"{share} measured, target {record.target_coverage:g} % {verdict}"]
    counts = {state: states.count(state) for state in (SpotState.JUMPY, SpotState.CLOSED)}
    parts += [f"{count:,} {state}" for state, count in counts.items() if count]
    if progress.minimum is not None and progress.minimum_scan is not None:
        name = record.spots[round(progress.minimum_scan) - 1].name
        parts.append(f"minimum {minimum_text(progress, record.display)} at {name}")
    if progress.suspect:
        parts.append(f"{count_text(progress.suspect, 'spot')} SUSPECT by a failed check")
    return "; ".join([*parts, record.status])


def spots_table(record: SurveyRecord) -> list[str]:
    """Return a line for each spot, with the couplings that do not count below it, and what is left."""
    if not record.spots:
        return []
    width = max(len(spot.name) for spot in record.spots)
    lines = ["spots: value, nominal, spread of the readings, couplings"]
    for spot in record.spots:
        lines.append(f"  {spot.name:<{width}}  {_spot_text(spot, record.display)}")
        lines += [
            f"      {_coupling_text(one, record.display)}"
            for one in spot.couplings
            if not one.state.counts
        ]
    left = [spot.name for spot in record.spots if _is_left(spot)]
    if left:
        lines.append(f"not done, {count_text(len(left), 'spot')}: {', '.join(left)}")
    return lines


def _is_left(spot: SpotSnapshot) -> bool:
    return spot.suspect or spot.state in (SpotState.OPEN, SpotState.JUMPY)


def _spot_text(spot: SpotSnapshot, units: DisplayUnits) -> str:
    def length(name: str) -> str:
        return units.with_unit(number_text(spot, name, units))

    nominal = "" if spot.nominal is None else f", nominal {length('nominal')}"
    if spot.state is SpotState.CLOSED:
        return f"no reading possible: {spot.because}; closed by {spot.by}"
    if spot.state is SpotState.OPEN:
        what = f"{spot.counted} of {spot.required} couplings" if spot.counted else "not done"
        return f"{what}{nominal}"
    spread = f", spread {length('spread')}"
    often = count_text(spot.counted, "coupling")
    if spot.difference is not None:
        often += f" that differ by {length('difference')} (standard deviation {length('sd')})"
    if spot.state is SpotState.JUMPY:
        return f"JUMPY, not done{nominal}{spread}, {often}"
    uncertainty = "" if spot.expanded is None else f" ± {number_text(spot, 'expanded', units)}"
    text = f"{number_text(spot, 'value', units)}{uncertainty} {units.length_name}{nominal}{spread}, {often}, by {spot.by}"
    if spot.because:
        text += f"; accepted though jumpy: {spot.because}"
    return f"{text}; SUSPECT" if spot.suspect else text


def _coupling_text(coupling: CouplingSnapshot, units: DisplayUnits) -> str:
    """Return a coupling that does not count, and why."""
    why = str(coupling.state)
    if coupling.state is CouplingState.DISCARDED:
        why += f" by {coupling.changed_by}: {coupling.because}"
    if coupling.state is CouplingState.NOT_LIFTED:
        why = "the probe was not lifted before it"
    value, spread = (
        units.with_unit(number_text(coupling, name, units)) for name in ("value", "spread")
    )
    return (
        f"not counted, {why}: {value}, spread {spread} of {count_text(coupling.readings, 'reading')}, "
        f"{coupling.time:%Y-%m-%d %H:%M:%S} UTC by {coupling.by}"
    )
