"""Leading through the couplings of a step block in rounds, while the gauge is read."""

from __future__ import annotations

from datetime import UTC, datetime

from rich.live import Live
from rich.table import Table

from swathe.calibration import StabilityState, StepCoupling, StepReading
from swathe.calibration.coupling_plan import NOT_LIFTED, CouplingPlan, PlannedCoupling
from swathe.cli.app import console, say
from swathe.cli.step_prompts import ask_line, spread_tolerance, steadiness_line
from swathe.errors import SwatheError
from swathe.live.block_reader import BlockReader, NotSteadyError, SteadyReadings
from swathe.station import CarriageProbe, Station

__all__ = ["read_couplings"]

_READINGS = 20
_GIVE_UP, _REPEAT = "q", "r"


async def read_couplings(
    station: Station,
    plan: CouplingPlan,
    *,
    u_thickness: float,
    spread: float,
    probe: CarriageProbe | None = None,
) -> list[StepReading]:
    """Have the probe put on each step in each round, and return the readings of each step.

    Args:
        station: the station file.
        plan: the couplings.
        u_thickness: standard uncertainty of the block's thicknesses, mm.
        spread: greatest one of a coupling's readings, mm.
        probe: of several, the one that is calibrated.

    Raises:
        SwatheError: the gauge sends thickness, or it was given up.
    """
    block = BlockReader(
        station, window=_READINGS, tolerance=spread_tolerance(station, spread), probe=probe
    )
    if not block.gives_time:
        message = (
            f"{block.gauge} sends thickness, not time of flight: calibrate on the instrument "
            "itself, and check it here with `swathe verify`"
        )
        raise SwatheError(message)
    async with block:
        while True:
            planned = plan.next
            if planned is None:
                console.print(coupling_table(plan, station))
            answer = await ask_line(_prompt(plan, planned, station))
            if answer == _GIVE_UP:
                message = "the calibration was given up: nothing is written"
                raise SwatheError(message)
            if answer == _REPEAT or answer.isdecimal():
                if problem := plan.repeat(int(answer) if answer.isdecimal() else None):
                    say(f"  {problem}")
            elif planned is None:
                return plan.readings(u_thickness=u_thickness)
            else:
                await _couple(block, plan, planned, station)


async def _couple(
    block: BlockReader, plan: CouplingPlan, planned: PlannedCoupling, station: Station
) -> None:
    """Read one coupling and keep it, or print why it is refused."""

    def line(state: StabilityState) -> str:
        needed = "" if block.lifted or not plan.lift_needed else "NOT LIFTED YET; "
        return f"{needed}{steadiness_line(state, station)}"

    try:
        with Live(console=console, auto_refresh=False, transient=True) as live:
            steady = await block.steady(show=lambda state: live.update(line(state), refresh=True))
    except NotSteadyError as error:
        say(f"  REFUSED, it is repeated: {error}", style="bold")
        return
    if problem := _problem(block, plan, planned, steady, station):
        say(f"  REFUSED, it is repeated: {problem}", style="bold")
        return
    block.taken(steady)
    state = steady.state
    plan.take(
        StepCoupling(
            time_of_flight=state.mean,
            sd=state.sd,
            readings=state.readings,
            time=datetime.now(UTC).isoformat(timespec="seconds"),
        )
    )
    say(f"  {planned.number}: {state.mean:.4f} µs ± {state.sd:.4f} µs, {state.readings} readings")


def _problem(
    block: BlockReader,
    plan: CouplingPlan,
    planned: PlannedCoupling,
    steady: SteadyReadings,
    station: Station,
) -> str:
    if plan.lift_needed and not block.lifted:
        return NOT_LIFTED
    other = plan.other_step(steady.state.mean)
    if other is None:
        return ""
    text = station.display.stated_thickness_text
    return (
        f"{steady.state.mean:.4f} µs is what step {text(other)} gave before: put the probe on step "
        f"{text(planned.step)}; where the one before was on the wrong step, type its number to repeat it"
    )


def _prompt(plan: CouplingPlan, planned: PlannedCoupling | None, station: Station) -> str:
    repeat = f"a number repeats that coupling, {_GIVE_UP} gives up"
    if planned is None:
        return f"press Enter to calibrate; {repeat}"
    again = "put the probe on" if planned.round == 1 else "lift the probe and put it on again"
    rounds = f"round {planned.round} of {plan.rounds}, " if plan.rounds > 1 else ""
    step = station.display.stated_thickness_text(planned.step)
    ending = f"{_REPEAT} or {repeat}" if plan.begun else f"{_GIVE_UP} gives up"
    return f"{rounds}step {step}: {again}, then press Enter; {ending}"


def coupling_table(plan: CouplingPlan, station: Station) -> Table:
    """Return the couplings made, with how far each is from the mean of its step, ns."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("coupling", "round", "step", "time µs", "spread µs", "from step's mean ns"):
        table.add_column(heading, justify="right")
    means = {step.thickness: step.time_of_flight for step in plan.readings()}
    for one in plan.couplings:
        if one.taken is not None:
            table.add_row(
                str(one.number),
                str(one.round),
                station.display.stated_thickness_text(one.step),
                f"{one.taken.time_of_flight:.4f}",
                f"{one.taken.sd:.4f}",
                f"{(one.taken.time_of_flight - means[one.step]) * 1000:+.1f}",
            )
    return table
