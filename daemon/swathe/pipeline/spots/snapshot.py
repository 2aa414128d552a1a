"""The facts of a spot as they are published, each defined once; lengths are mm."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime
from swathe.pipeline.spots.register import Coupling, CouplingState, Spot, SpotState
from swathe.pipeline.spots.survey_spots import SurveySpots
from swathe.station import Station, budget_of

__all__ = ["CouplingSnapshot", "SpotNowSnapshot", "SpotSnapshot", "spot_now", "spot_snapshot"]


class CouplingSnapshot(Snapshot):
    """A reading of a spot with the probe put on, whether it counts or not."""

    number: int = Field(description="in the survey, from 1")
    time: UtcTime = Field(description="of its median reading")
    by: str = Field(description="who took it")
    value: Annotated[float, Digits(3)] = Field(description="thickness of its median reading, mm")
    readings: int = Field(description="with an echo, while the probe was held")
    spread: Annotated[float, Digits(3)] = Field(description="maximum less minimum of them, mm")
    sd: Annotated[float | None, Digits(4)] = Field(
        description="standard deviation of them, mm; null for one"
    )
    state: CouplingState = Field(description="whether it counts")
    changed_by: str = Field("", description="who accepted or discarded it; empty when nobody did")
    because: str = Field("", description="why")


class SpotSnapshot(Snapshot):
    """A spot of the plan, and what was read there."""

    number: int = Field(description="in the plan, from 1: its position on the scan axis")
    name: str = Field(description="by which the plan names it")
    place: str = Field(description="where it is, as the plan has it")
    nominal: Annotated[float | None, Digits(3)] = Field(
        description="nominal thickness, mm; null where it is not known"
    )
    state: SpotState = Field(description="what is known of it")
    suspect: bool = Field(description="whether a failed calibration check makes it suspect")
    value: Annotated[float | None, Digits(3)] = Field(
        description="thickness, mm, by the survey's rule for cells; null until it is done"
    )
    expanded: Annotated[float | None, Digits(3)] = Field(
        description="expanded uncertainty of the value, 95.45 %, mm; null while unknown, "
        "and where no level of confidence is claimed"
    )
    spread: Annotated[float | None, Digits(3)] = Field(
        description="greatest spread of the readings of a coupling that counts, mm; of the newest "
        "coupling while none counts; null without any"
    )
    difference: Annotated[float | None, Digits(3)] = Field(
        description="maximum less minimum of the couplings that count, mm; null of fewer than two"
    )
    sd: Annotated[float | None, Digits(4)] = Field(
        description="standard deviation of the couplings that count, mm; null of fewer than two"
    )
    counted: int = Field(description="couplings that count")
    required: int = Field(description="couplings that the plan requires")
    couplings: tuple[CouplingSnapshot, ...] = Field(description="all of them, in their order")
    by: str = Field(description="who took, accepted or closed it last; empty while nobody has")
    because: str = Field(description="why it was accepted or closed")


class SpotNowSnapshot(Snapshot):
    """The spot that is to be read, and what the gauge reads now."""

    spot: str | None = Field(description="name of the spot to read; null when none is left")
    number: int | None = Field(description="of it, from 1")
    place: str = Field(description="where it is")
    nominal: Annotated[float | None, Digits(3)] = Field(description="its nominal thickness, mm")
    counted: int = Field(description="couplings of it that count")
    couplings: int = Field(description="couplings that the plan requires of each")
    done: int = Field(description="spots that are done")
    spots: int = Field(description="spots of the plan")
    jumpy: int = Field(description="spots whose readings differ too much, to be read again")
    closed: int = Field(description="spots at which no reading is possible")
    value: Annotated[float | None, Digits(3)] = Field(
        description="newest reading, mm; null while the probe is off"
    )
    spread: Annotated[float | None, Digits(3)] = Field(
        description="maximum less minimum of the newest readings, mm; null while the probe is off"
    )
    limit: Annotated[float, Digits(3)] = Field(description="greatest spread that counts, mm")
    readings: int = Field(description="readings since the probe was put on, of those to be taken")
    enough: bool = Field(description="whether there are as many, over as long, as a reading takes")
    steady: bool = Field(description="whether they agree and do not drift")
    lifted: bool = Field(description="whether the probe was lifted since the last reading taken")
    reason: str = Field(description="why the reading is not steady; empty when it is")


def spot_snapshot(spot: Spot, station: Station, grid: Grid, required: int) -> SpotSnapshot:
    """Return what is known of a spot.

    Args:
        spot: of the register.
        station: has the plan.
        grid: the cells.
        required: couplings that the plan requires.
    """
    plan, counted = station.spot_list[spot.number], spot.counted
    shown = counted or spot.couplings[-1:]
    read = bool(grid.hits[spot.number])
    value = float(grid.thickness[spot.number]) if read else None
    budget = None if value is None else budget_of(station, value)
    return SpotSnapshot(
        number=spot.number + 1,
        name=spot.name,
        place=plan.place,
        nominal=_nominal(station, spot.number),
        state=spot.state,
        suspect=grid.state[spot.number] == CellState.SUSPECT,
        value=value,
        expanded=None if budget is None else budget.expanded,
        spread=max((one.spread for one in shown), default=None),
        difference=spot.spread,
        sd=spot.sd,
        counted=len(counted),
        required=required,
        couplings=tuple(_coupling(one) for one in spot.couplings),
        by=spot.closed_by or spot.accepted_by or (counted[-1].by if counted else ""),
        because=spot.because,
    )


def _nominal(station: Station, number: int) -> float | None:
    nominal = station.spot_list[number].nominal
    return station.survey.nominal_thickness if nominal is None else nominal


def _coupling(coupling: Coupling) -> CouplingSnapshot:
    return CouplingSnapshot.model_validate(coupling)


def spot_now(
    spots: SurveySpots, station: Station, chosen: int | None, time: int
) -> SpotNowSnapshot:
    """Return the spot to be read, and what the gauge reads.

    Args:
        spots: of the survey.
        station: has the plan.
        chosen: number of the spot to be read, from 0; None when none is left.
        time: the journal time, ns.
    """
    register = spots.register
    now = spots.coupling_now(time)
    states = [spot.state for spot in register.spots]
    spot = None if chosen is None else register.spots[chosen]
    return SpotNowSnapshot(
        spot=None if spot is None else spot.name,
        number=None if spot is None else spot.number + 1,
        place="" if spot is None else station.spot_list[spot.number].place,
        nominal=None if spot is None else _nominal(station, spot.number),
        counted=0 if spot is None else len(spot.counted),
        couplings=register.settings.couplings,
        done=spots.done,
        spots=len(states),
        jumpy=states.count(SpotState.JUMPY),
        closed=states.count(SpotState.CLOSED),
        value=now.value,
        spread=now.spread,
        limit=register.settings.max_spread,
        readings=now.readings,
        enough=now.enough,
        steady=now.steady,
        lifted=now.lifted,
        reason=now.reason,
    )
