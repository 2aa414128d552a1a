"""``swathe calibrate thickness``: velocity and zero offset from the steps of a block."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import console, quantity, say
from swathe.cli.calibrate import calibrate
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.calibration import StepReading, StepsResult
    from swathe.station import Station

__all__ = ["thickness"]

_READINGS = 20


@calibrate.command()
def thickness(
    by: Annotated[str, typer.Option(help="Who calibrates.")],
    block: Annotated[str, typer.Option(help="Name of the step block.")],
    station: Annotated[
        Path | None, typer.Argument(help="The station file, whose gauge reads the steps.")
    ] = None,
    steps: Annotated[
        str, typer.Option(help='Thicknesses of the steps, such as "0.500 in, 0.200 in".')
    ] = "",
    readings: Annotated[
        Path | None, typer.Option(help="A CSV file of readings instead of the gauge.")
    ] = None,
    material: Annotated[
        str, typer.Option(help="Of the block, to look whether the velocity can be.")
    ] = "",
    velocity: Annotated[
        str, typer.Option(help="Known velocity: only the zero offset is sought.")
    ] = "",
    zero_offset: Annotated[
        str, typer.Option(help="Known zero offset: only the velocity is sought.")
    ] = "",
    block_serial: Annotated[str, typer.Option(help="Serial number of the block.")] = "",
    block_temperature: Annotated[str, typer.Option(help='Such as "21 degC".')] = "",
    block_uncertainty: Annotated[
        str, typer.Option(help="Standard uncertainty of its steps, by its certificate.")
    ] = "0 mm",
    probe: Annotated[str, typer.Option(help="Name of the probe; else the station file's.")] = "",
    probe_serial: Annotated[str, typer.Option(help="Serial number of the probe.")] = "",
    diameter: Annotated[str, typer.Option(help="Of the probe; else the station file's.")] = "",
    frequency: Annotated[str, typer.Option(help="Of the probe; else the station file's.")] = "",
    separation: Annotated[
        str, typer.Option(help="Of a dual probe's elements; else the station file's.")
    ] = "",
    instrument: Annotated[str, typer.Option(help="Name of the instrument.")] = "",
    instrument_serial: Annotated[str, typer.Option(help="Serial number of the instrument.")] = "",
    couplant: Annotated[str, typer.Option(help="The couplant.")] = "",
    procedure: Annotated[str, typer.Option(help="The procedure that is followed.")] = "",
    approved_by: Annotated[str, typer.Option(help="A second signature.")] = "",
    resolution: Annotated[str, typer.Option(help="Last digit of the times of flight.")] = "0 us",
    steady: Annotated[
        str, typer.Option(help="Greatest spread of a step's readings: a thickness.")
    ] = "0.1 mm",
    out: Annotated[Path, typer.Option(help="The calibration record that is written.")] = Path(
        "calibration.json"
    ),
) -> None:
    """Calibrate velocity and zero offset on one or more steps of a block of the same material.

    Each step is taken when its readings are steady. One step tells the zero offset by a known
    velocity, or the velocity by a known zero offset; two and more tell both.
    """
    from swathe.calibration import (
        BlockRecord,
        InstrumentRecord,
        ProbeKind,
        ProbeRecord,
        new_record,
        read_readings,
        solve_steps,
        write_calibration_record,
    )
    from swathe.station import load_station
    from swathe.units import frequency as frequency_of
    from swathe.units import length, temperature, time_of_flight
    from swathe.units import velocity as velocity_of

    u_thickness = quantity("--block-uncertainty", block_uncertainty, length)
    settings = None if station is None else load_station(station)[0]
    own = None if settings is None else settings.probe
    if diameter and frequency:
        size = quantity("--diameter", diameter, length)
        rate = quantity("--frequency", frequency, frequency_of)
    elif own is not None:
        size, rate = own.diameter, own.frequency
    else:
        message = "the probe must be told: --diameter and --frequency, or [probe] in a station file"
        raise SwatheError(message)
    apart = own.separation if own is not None and own.kind == "dual" else 0.0
    if separation:
        apart = quantity("--separation", separation, length)
    if readings is not None:
        read = read_readings(readings, u_thickness=u_thickness)
    elif settings is not None:
        wanted = _thicknesses(steps, settings)
        limit = quantity("--steady", steady, length)
        read = asyncio.run(_read_steps(settings, wanted, u_thickness, limit))
    else:
        message = "name a station file whose gauge reads the steps, or --readings FILE"
        raise SwatheError(message)
    result = solve_steps(
        read,
        velocity=quantity("--velocity", velocity, velocity_of) if velocity else None,
        zero_offset=quantity("--zero-offset", zero_offset, time_of_flight) if zero_offset else None,
        separation=apart,
        material=material or None,
        time_resolution_us=quantity("--resolution", resolution, time_of_flight),
    )
    record = new_record(
        result,
        time=datetime.now(UTC),
        by=by,
        approved_by=approved_by or None,
        procedure=procedure,
        material=material,
        block=BlockRecord(
            name=block,
            serial=block_serial,
            temperature_degC=quantity("--block-temperature", block_temperature, temperature)
            if block_temperature
            else None,
            u_thickness_mm=u_thickness,
        ),
        probe=ProbeRecord(
            name=probe or (own.name if own is not None else ""),
            serial=probe_serial,
            kind=ProbeKind.DUAL if apart else ProbeKind.SINGLE,
            diameter_mm=size,
            frequency_MHz=rate,
            separation_mm=apart,
        ),
        couplant=couplant,
        instrument=InstrumentRecord(name=instrument, serial=instrument_serial),
    )
    _tell(result, record.warnings)
    write_calibration_record(out, record)
    say(f"record {record.id}: {out}")
    say(f'in the station file: calibration.file = "{out}"')


def _thicknesses(steps: str, station: Station) -> list[float]:
    from swathe.units import length

    if steps:
        return [quantity("--steps", text, length) for text in steps.split(",")]
    if station.verification is not None:
        return list(station.verification.steps)
    message = 'name the block\'s steps: --steps "0.500 in, 0.200 in", or [verification] steps'
    raise SwatheError(message)


async def _read_steps(
    station: Station, wanted: Sequence[float], u_thickness: float, spread: float
) -> list[StepReading]:
    """Have the probe put on each step, and return what was read there."""
    from rich.live import Live

    from swathe.calibration import StepReading
    from swathe.cli.asking import ask
    from swathe.cli.steadiness import spread_tolerance, steadiness_line
    from swathe.live.block_reader import BlockReader

    found: list[StepReading] = []
    block = BlockReader(station, window=_READINGS, tolerance=spread_tolerance(station, spread))
    if not block.gives_time:
        message = (
            f"{block.gauge} sends thickness, not time of flight: calibrate on the instrument "
            "itself, and check it here with `swathe verify`"
        )
        raise SwatheError(message)
    async with block:
        for step in wanted:
            answer = await ask(
                f"put the probe on the step of {step:g} mm ({step / 25.4:.3f} in), then press "
                "Enter; q and Enter give up"
            )
            if answer == "q":
                message = "the calibration was given up: nothing is written"
                raise SwatheError(message)
            with Live(console=console, auto_refresh=False, transient=True) as live:
                steady = await block.steady(
                    show=lambda state, live=live: live.update(  # type: ignore[misc]
                        steadiness_line(state, station), refresh=True
                    )
                )
            state = steady.state
            say(
                f"  {state.mean:.4f} µs ± {state.sd:.4f} µs, {state.readings} readings",
            )
            found.append(
                StepReading(
                    thickness=step,
                    u_thickness=u_thickness,
                    time_of_flight=state.mean,
                    sd=state.sd,
                    readings=state.readings,
                )
            )
    return found


def _tell(result: StepsResult, warnings: Sequence[str]) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("step mm", "time µs", "spread µs", "readings", "residual mm"):
        table.add_column(heading, justify="right")
    for step, residual in zip(result.steps, result.residuals, strict=True):
        table.add_row(
            f"{step.thickness:.3f}",
            f"{step.time_of_flight:.4f}",
            f"{step.sd:.4f}",
            str(step.readings),
            f"{residual:+.4f}",
        )
    console.print(table)
    say(
        f"velocity {result.velocity * 1000:.1f} m/s ± {result.u_velocity * 1000:.1f} m/s, "
        f"zero offset {result.zero_offset:.4f} µs ± {result.u_zero_offset:.4f} µs "
        f"(standard uncertainties), correlation {result.correlation:+.2f}",
    )
    say(f"{result.method}; {result.basis}")
    for warning in warnings:
        say(f"WARNING: {warning}")
