"""The table ``[motion]`` of a station file: a machine that moves the probe, and how far it may go.

Limits of travel, speed and acceleration are in the driver's own table, ``motion.protocol.axes``:
an axis named ``scan``, and one named ``index`` where the plan has an index axis.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, field_validator

from swathe.display_units import DisplayUnits
from swathe.errors import Problem
from swathe.station.problems import problems_of
from swathe.station.reference_steps import check_reference_steps
from swathe.station.table import PortTable, StationTable
from swathe.units import Duration, Length, Percent, Speed, speed
from swathe_drivers import DriverError, SettingsError, read_settings, settings_error
from swathe_drivers.motion import MotionCodec, MotionDriver
from swathe_drivers.registry import load_motion

__all__ = [
    "MOTION_PORT",
    "GuardTable",
    "HomingTable",
    "MotionTable",
    "PlanTable",
    "RetryTable",
    "check_motion",
    "motion_codec",
    "motion_driver",
]

MOTION_PORT = "motion"
"""Name of the machine's port in the journal; no device may have it."""


# Shorter, no tenth could be found; longer, it would be no caution.
_SHORTEST_FIRST_MM, _LONGEST_FIRST_MM = 5.0, 100.0


def _speed_or_auto(text: object) -> float | None:
    return None if text == "auto" else speed(text)


AutoSpeed = Annotated[float | None, BeforeValidator(_speed_or_auto)]


def _first_length(length: float) -> float:
    if length != 0 and not _SHORTEST_FIRST_MM <= length <= _LONGEST_FIRST_MM:
        message = f"must be {_SHORTEST_FIRST_MM:g} to {_LONGEST_FIRST_MM:g} mm, or 0 for none"
        raise ValueError(message)
    return length


FirstLength = Annotated[Length, AfterValidator(_first_length)]


class PlanTable(StationTable):
    """How the raster is driven."""

    pattern: Literal["serpentine", "one way"] = "serpentine"
    along: Literal["scan", "index"] = Field("scan", description="axis that the lines run along")
    footprint: Length | None = Field(
        None, gt=0, description="width that one line inspects, mm; None for a row of cells"
    )
    overlap: Percent = Field(0.0, ge=0, lt=100, description="of the footprints of two lines")
    speed: AutoSpeed = Field(None, gt=0, description="mm/s; auto for what the readings allow")
    reading_rate: float | None = Field(
        None, gt=0, allow_inf_nan=False, description="readings/s of the instrument"
    )
    reserve: Percent = Field(10.0, ge=0, lt=100, description="of the speed that readings allow")
    settle: Duration = Field(100_000_000, ge=0, description="steady speed before a cell, ns")
    clearance: Length = Field(0.0, ge=0, description="from a zone to the probe's centre, mm")
    pass_overlap: Length = Field(
        0.0, ge=0, description="width that two passes of several probes have in common, mm"
    )
    twist_turns: float | None = Field(
        None, gt=0, allow_inf_nan=False, description="most turns of the cable to either side"
    )
    together: bool = Field(False, description="both axes may move at once where there is room")


class RetryTable(StationTable):
    """How the crawler revisits gaps, and when it stops."""

    tries: int = Field(3, ge=0, le=100, description="passes over one gap at most")
    slower: float = Field(0.6, gt=0, le=1, description="factor of the speed for a further try")
    min_speed: Speed = Field(1.0, gt=0, description="no slower than this, mm/s")
    settle: Duration = Field(200_000_000, ge=0, description="steady speed before a gap, ns")
    time_budget: Duration | None = Field(None, gt=0, description="of a run, ns")
    battery_budget: Duration | None = Field(None, gt=0, description="of a charge, ns")
    resumptions: int = Field(
        10, ge=0, le=1000, description="unanswered commands and drifts from which the run continues"
    )


class GuardTable(StationTable):
    """What stops the motion."""

    disagreement: Length = Field(
        gt=0, description="by which motor and encoder may part before it is a fault, mm"
    )
    lag: Duration = Field(
        150_000_000,
        ge=0,
        description="time by which the positions of motor and encoder may differ, ns",
    )
    encoder_silence: Duration = Field(
        500_000_000, gt=0, description="that the encoder may be silent while it moves, ns"
    )
    heartbeat: Duration | None = Field(
        None, gt=0, description="a dead man: longest time between two 'alive' commands, ns"
    )
    when_stopped: Literal["end", "wait"] = Field(
        "end", description="end the run, or wait for a person at the terminal"
    )
    first_move: FirstLength = Field(
        10.0, description="of each axis in a run, short and slow; 0 for none, mm"
    )
    recoveries: int = Field(
        0, ge=0, le=1000, description="faults after which it homes again and continues by itself"
    )
    port_patience: Duration = Field(
        30_000_000_000, gt=0, description="that a lost port is waited for, ns"
    )
    read_back: Duration = Field(
        30_000_000, ge=5_000_000, description="between two questions for the position, ns"
    )


class HomingTable(StationTable):
    """How the machine finds its reference."""

    axes: tuple[Literal["scan", "index"], ...] = Field(
        ("index", "scan"), description="in the order they are homed; empty if it can't"
    )
    sets_encoder: bool = Field(
        True, description="the encoder's position is set by the reference at the start of a run"
    )
    return_home: bool = Field(False, description="drive back to the reference at the end")


class MotionTable(PortTable):
    """A machine that moves the probe. It moves only with a confirmation on this machine, too."""

    driver: str = Field("gcode", min_length=1)
    arm_allowed: bool = Field(False, description="whether this station may be armed at all")
    resume_from: tuple[Literal["station", "page", "mqtt"], ...] = Field(
        ("station",),
        description="from where a crawler that has stopped may be resumed, 'station' among them",
    )
    protocol: dict[str, Any] = Field(default_factory=dict, description="the driver's own settings")
    plan: PlanTable = PlanTable()
    retry: RetryTable = RetryTable()
    guard: GuardTable
    homing: HomingTable = HomingTable()

    @field_validator("resume_from")
    @classmethod
    def _station_resumes(cls, places: tuple[str, ...]) -> tuple[str, ...]:
        if "station" not in places or len(set(places)) != len(places):
            message = 'must name \'station\', and each place once: ["station", "page"]'
            raise ValueError(message)
        return places


def motion_driver(motion: MotionTable) -> MotionDriver:
    """Return the machine's driver.

    Raises:
        DriverError: there is none of that name, or it refuses its settings; `read_station` reports
            this with the key, so call this only with a loaded station.
    """
    driver = load_motion(motion.driver)
    return driver(driver.Settings.model_validate(motion.protocol))


def motion_codec(motion: MotionTable) -> MotionCodec:
    """Return a new codec of the machine; raises as `motion_driver`."""
    return motion_driver(motion).codec(ns_per_byte=motion.port_settings().ns_per_byte)


def check_motion(parts: dict[str, Any]) -> list[Problem]:
    """Return what is wrong with the table ``[motion]``, alone and with the other tables.

    Args:
        parts: validated tables of the station file by name.
    """
    motion: MotionTable | None = parts.get("motion")
    if motion is None:
        return check_reference_steps(parts, None)
    problems = _check_port(motion) + _check_protocol(motion)
    if MOTION_PORT in parts.get("device", {}):
        requirement = f"must not be called {MOTION_PORT}"
        remedy = f"{MOTION_PORT} is the name of the machine's port in the journal"
        problems.append(Problem(f"device.{MOTION_PORT}", requirement, MOTION_PORT, remedy))
    if motion.plan.speed is None and motion.plan.reading_rate is None:
        remedy = 'reading_rate = 60 (readings/s, from the data sheet), or a speed such as "80 mm/s"'
        problems.append(Problem("motion.plan", "must have a reading_rate or a speed", None, remedy))
    if not problems:
        problems += _check_axes(motion, motion_codec(motion), parts)
        problems += check_reference_steps(parts, motion_codec(motion))
        problems += _check_room(motion, parts)
    return problems


def _check_port(motion: MotionTable) -> list[Problem]:
    if motion.port.startswith("capture:"):
        remedy = "a capture takes no commands: name the machine's port"
        return [
            Problem("motion.port", "must be a port that can be written to", motion.port, remedy)
        ]
    try:
        motion.port_settings()
    except ValidationError as error:
        found = settings_error(error, {"url": motion.port, "baud": motion.baud}, key="motion")
        return [
            Problem(p.key.replace("motion.url", "motion.port"), p.requirement, p.got, p.remedy)
            for p in problems_of(found)
        ]
    return []


def _check_protocol(motion: MotionTable) -> list[Problem]:
    try:
        driver = load_motion(motion.driver)
    except DriverError as error:
        return [Problem("motion.driver", str(error), motion.driver)]
    try:
        read_settings(driver.Settings, motion.protocol, key="motion.protocol")
    except SettingsError as error:
        return problems_of(error, driver.Settings)
    return []


def _check_axes(motion: MotionTable, codec: MotionCodec, parts: dict[str, Any]) -> list[Problem]:
    problems: list[Problem] = []
    needed = ["scan"] + (["index"] if parts.get("index") is not None else [])
    for name in needed:
        key = f"motion.protocol.axes.{name}"
        if (axis := codec.axes.get(name)) is None:
            has = ", ".join(codec.axes)
            remedy = "name the machine's axes after those of the plan"
            problems.append(Problem(key, "is required", has, remedy))
        elif axis.acceleration_mm_per_s2 is None:
            remedy = "run-in and duration are reckoned with it: take it from the machine's settings"
            problems.append(Problem(f"{key}.acceleration_mm_per_s2", "is required", None, remedy))
        if name in motion.homing.axes and axis is not None and not _homes(codec, name):
            remedy = "describe its homing command, or leave it out of motion.homing.axes"
            requirement = "must name axes that the machine can home"
            problems.append(Problem("motion.homing.axes", requirement, name, remedy))
    if codec.query_position() is None:
        remedy = "without it nobody knows when a position is reached, or that the wheels slip"
        problems.append(Problem("motion.protocol.query", "is required", None, remedy))
    for name in motion.homing.axes:
        if name not in needed:
            remedy = f"the plan has the axes {', '.join(needed)}"
            problems.append(Problem("motion.homing.axes", "must be axes of the plan", name, remedy))
    return problems


def _homes(codec: MotionCodec, axis: str) -> bool:
    try:
        codec.home(axis)
    except DriverError:
        return False
    return True


def _check_room(motion: MotionTable, parts: dict[str, Any]) -> list[Problem]:
    problems: list[Problem] = []
    plan, index, scan = motion.plan, parts.get("index"), parts.get("scan")
    if plan.along == "index" and index is None:
        remedy = "a line profile runs along the scan axis"
        problems.append(Problem("motion.plan.along", "needs an index axis", "index", remedy))
    probes, side = parts.get("probes", ()), "index" if plan.along == "scan" else "scan"
    offsets = [getattr(probe, side) for probe in probes] or [0.0]
    if plan.pass_overlap and plan.pass_overlap > (width := max(offsets) - min(offsets)):
        units = DisplayUnits(parts.get("units", "mm"))
        requirement = (
            f"must be at most the {units.stated_text(width)} from the first probe to the last"
        )
        got = units.stated_text(plan.pass_overlap)
        problems.append(Problem("motion.plan.pass_overlap", requirement, got))
    stepped = index is not None and index.mode == "stepped"
    advance = None if index is None else str(index.advance)
    if stepped and plan.along == "index":
        remedy = "lines along a stepped axis cannot be: nothing gives the probe's position on it"
        problems.append(Problem("motion.plan.along", "must be scan", "index", remedy))
    if stepped and advance != "command":
        remedy = "the crawler sets the line; no return of the probe does"
        problems.append(Problem("index.advance", "must be command", advance, remedy))
    wrapped = [a for a in (scan, index) if a is not None and a.mode == "wrapped"]
    if plan.twist_turns is not None and not wrapped:
        remedy = 'only a cable around a pipe is twisted: leave it out, or set mode = "wrapped"'
        problems.append(
            Problem("motion.plan.twist_turns", "needs a wrapped axis", plan.twist_turns, remedy)
        )
    if plan.twist_turns is None and wrapped:
        remedy = "half a turn to either side reaches all round: twist_turns = 0.6"
        requirement = "is required where an axis goes round a pipe"
        problems.append(Problem("motion.plan.twist_turns", requirement, None, remedy))
    return problems
