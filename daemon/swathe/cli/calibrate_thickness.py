"""``swathe calibrate thickness``: velocity and zero offset from the steps of a block."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import console, quantity, say
from swathe.cli.calibrate import calibrate
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.calibration import BlockRecord, ProbeRecord, StepsResult
    from swathe.display_units import DisplayUnits
    from swathe.station import CarriageProbe, Station

__all__ = ["thickness"]

_LEVEL = 0.95


@calibrate.command()
def thickness(
    station: Annotated[
        Path,
        typer.Argument(help="Station file with [block], [probe] and [instrument]."),
    ],
    by: Annotated[str, typer.Option(help="Who calibrates.")],
    readings: Annotated[
        Path | None, typer.Option(help="CSV file of readings, instead of the gauge's.")
    ] = None,
    couplings: Annotated[
        int, typer.Option(min=1, help="Rounds over the steps: how often each is coupled.")
    ] = 3,
    block_temperature: Annotated[
        str, typer.Option(help='Temperature of the block now, such as "21 degC".')
    ] = "",
    velocity: Annotated[
        str, typer.Option(help="Known velocity: only the zero offset is determined.")
    ] = "",
    zero_offset: Annotated[
        str, typer.Option(help="Known zero offset: only the velocity is determined.")
    ] = "",
    steady: Annotated[
        str, typer.Option(help="Maximum spread of a step's readings, as a thickness.")
    ] = "0.1 mm",
    approved_by: Annotated[str, typer.Option(help="Second signature.")] = "",
    probe_name: Annotated[
        str, typer.Option("--probe", help="Only this [[probe]] of several; all in turn without it.")
    ] = "",
    out: Annotated[Path, typer.Option(help="Calibration record to write.")] = Path(
        "calibration.json"
    ),
) -> None:
    """Calibrate velocity and zero offset on the steps of the station file's block.

    The steps are coupled in rounds, the probe lifted in between: what coupling again changes is
    measured by it. Each coupling is taken when its readings are steady. One step gives the zero
    offset by a known velocity, or the velocity by a known zero offset; two or more give both. Of
    several probes one after the other is calibrated; each has a record of its own, with its name.
    """
    from swathe.calibration import (
        InstrumentRecord,
        new_record,
        read_readings,
        solve_steps,
        write_calibration_record,
    )
    from swathe.calibration.coupling_plan import CouplingPlan
    from swathe.cli.coupling_prompts import read_couplings
    from swathe.station import conditions_of, read_devices
    from swathe.units import length, time_of_flight
    from swathe.units import velocity as velocity_of

    whole = read_devices(station)

    def calibrate_one(settings: Station, carried: CarriageProbe | None, out: Path) -> None:
        block, probe = _block(settings, block_temperature), _probe(settings)
        given_velocity = quantity("--velocity", velocity, velocity_of) if velocity else None
        given_offset = (
            quantity("--zero-offset", zero_offset, time_of_flight) if zero_offset else None
        )
        if readings is not None:
            read = read_readings(readings, u_thickness=block.u_thickness_mm)
        else:
            limit = quantity("--steady", steady, length)
            plan = CouplingPlan(_steps(settings), couplings)
            read = asyncio.run(
                read_couplings(
                    settings, plan, u_thickness=block.u_thickness_mm, spread=limit, probe=carried
                )
            )
        material = settings.block.material if settings.block is not None else ""
        result = solve_steps(
            read,
            velocity=given_velocity,
            zero_offset=given_offset,
            separation=probe.separation_mm,
            material=material or None,
            time_resolution_us=settings.instrument.time_resolution,
            coupling_us=settings.uncertainty.coupling,
            units=settings.display,
        )
        calibration = settings.calibration
        record = new_record(
            result,
            time=datetime.now(UTC),
            by=by,
            approved_by=approved_by or None,
            procedure=calibration.procedure if calibration is not None else "",
            material=material,
            block=block,
            probe=probe,
            couplant=calibration.couplant if calibration is not None else "",
            instrument=InstrumentRecord(
                name=settings.instrument.name, serial=settings.instrument.serial
            ),
            conditions=conditions_of(settings),
            temperature_validity=calibration.temperature_validity
            if calibration is not None
            else None,
        )
        _print_result(result, record.warnings, settings.display)
        write_calibration_record(out, record)
        say(f"record {record.id}: {out}")
        if carried is None:
            say(f'in the station file: calibration.file = "{out}"')

    if len(whole.probes) > 1 and not probe_name and readings is None:
        _calibrate_each(whole, calibrate_one, out)
    else:
        calibrate_one(*_of_probe(whole, probe_name), out)


def _calibrate_each(
    whole: Station, calibrate_one: Callable[[Station, CarriageProbe | None, Path], None], out: Path
) -> None:
    """Calibrate the probes in turn, each with a record of its own."""
    from swathe.cli.calibration_round import calibrate_each, record_path
    from swathe.cli.step_prompts import ask_line
    from swathe.station import probes_of, station_of_probe

    probes = probes_of(whole).probes
    done = calibrate_each(
        probes,
        calibrate=lambda probe: calibrate_one(
            station_of_probe(whole, probe.number), probe, record_path(out, probe)
        ),
        ask=lambda prompt: asyncio.run(ask_line(prompt)),
        tell=lambda text: say(text, style="bold"),
    )
    for probe in done:
        say(f'in the entry of probe {probe.name}: calibration = "{record_path(out, probe)}"')
    if left := [probe.name for probe in probes if probe not in done]:
        say(f"not calibrated: {', '.join(left)}", style="bold")


def _of_probe(station: Station, name: str) -> tuple[Station, CarriageProbe | None]:
    """Return the station of one probe, and of several that probe.

    Raises:
        SwatheError: the station has no such probe, or several and none was named.
    """
    from swathe.station import probes_of, station_of_probe

    if not station.probes and not name:
        return station, None
    known = {probe.name: probe for probe in probes_of(station).probes if probe.name}
    if name not in known:
        named = ", ".join(known) or "one without a name: leave --probe out"
        message = f"'--probe' must name one of the station's probes (got {name!r}): {named}"
        raise SwatheError(message)
    return station_of_probe(station, known[name].number), known[name]


def _block(station: Station, temperature: str) -> BlockRecord:
    """Return the block of the station file, at the temperature of the option."""
    from swathe.calibration import BlockRecord
    from swathe.units import temperature as temperature_of

    if station.block is None:
        message = "block missing: add [block] with its name and steps to the station file"
        raise SwatheError(message)
    celsius = quantity("--block-temperature", temperature, temperature_of) if temperature else None
    return BlockRecord(
        name=station.block.name,
        serial=station.block.serial,
        temperature_degC=celsius,
        u_thickness_mm=station.block.uncertainty,
    )


def _probe(station: Station) -> ProbeRecord:
    from swathe.station import probe_of

    probe = probe_of(station)
    if probe is None:
        message = "probe missing: add [probe] with diameter and frequency to the station file"
        raise SwatheError(message)
    return probe


def _steps(station: Station) -> tuple[float, ...]:
    if station.block is not None and station.block.steps:
        return station.block.steps
    if station.verification is not None:
        return station.verification.steps
    message = 'steps missing: add steps = ["0.500 in", "0.200 in"] to [block] in the station file'
    raise SwatheError(message)


def _print_result(result: StepsResult, warnings: Sequence[str], display: DisplayUnits) -> None:
    from rich.table import Table

    from swathe.calibration import Component, CouplingBasis, combine, coupling_scatter

    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("step", "time µs", "couplings", "between µs", "within µs", "residual"):
        table.add_column(heading, justify="right")
    for step, residual in zip(result.steps, result.residuals, strict=True):
        between = coupling_scatter([step.each_coupling]).between
        table.add_row(
            display.stated_thickness_text(step.thickness),
            f"{step.time_of_flight:.4f}",
            str(len(step.each_coupling)),
            "–" if math.isnan(between) else f"{between:.4f}",
            f"{step.sd:.4f}",
            display.difference_text(residual, sign=True),
        )
    console.print(table)
    velocity, u_velocity = (
        f"{display.number(value, 4, 6)} {display.length_name}/µs"
        for value in (result.velocity, result.u_velocity)
    )
    say(
        f"velocity {velocity} ± {u_velocity}, "
        f"zero offset {result.zero_offset:.4f} µs ± {result.u_zero_offset:.4f} µs "
        f"(standard uncertainties), correlation {result.correlation:+.2f}",
    )
    if result.coupling_basis is not CouplingBasis.NOT_COVERED:
        part = Component(name="velocity", standard_uncertainty=result.u_velocity, dof=result.u_dof)
        factor = combine([part], coverage=_LEVEL).coverage_factor or 0.0
        expanded = display.number(factor * result.u_velocity, 4, 6)
        say(
            f"{_LEVEL:.0%} intervals: velocity ± {expanded} {display.length_name}/µs, "
            f"zero offset ± {factor * result.u_zero_offset:.4f} µs "
            f"(Student's t of {result.u_dof:.0f} degrees of freedom, {factor:.2f})"
        )
    say(f"{result.method}; {result.basis}")
    for warning in warnings:
        say(f"WARNING: {warning}")
