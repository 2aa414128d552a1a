"""Whether a crawler may move: the station file allows it, and a person at this machine confirms it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

from swathe.cli.app import console, say
from swathe.cli.pass_lines import pass_lines
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.messages import CheckMessage
    from swathe.motion import Plan, WorkArea
    from swathe.station import Station

__all__ = ["may_move", "plan_lines", "planned"]

_NEAR = 1e-6
_UNGUARDED = (
    "nothing stops the crawler over this kind of port when the daemon is killed or hangs: it "
    "finishes its move"
)


def planned(station: Station) -> tuple[Plan, WorkArea]:
    """Return the raster of a station over the whole plan.

    Raises:
        MotionError: nothing of the plan can be reached.
        SwatheError: the station has no crawler.
    """
    from swathe.motion import plan_raster, raster_settings_of, work_area_of

    if station.motion is None:
        message = "the station file has no [motion] table: nothing moves by itself"
        raise SwatheError(message)
    area = work_area_of(station)
    return plan_raster(area, raster_settings_of(station)), area


def plan_lines(station: Station, plan: Plan, area: WorkArea) -> list[str]:
    """Return what a plan takes and what is to be minded, a line each."""
    motion = station.motion
    assert motion is not None  # noqa: S101  there is a plan
    from swathe.motion import first_move_seconds

    units = station.display
    minutes, seconds = divmod(round(plan.seconds), 60)
    homing = "not homed: the encoder must agree with the machine's own position"
    if motion.homing.axes:
        axes = ", ".join(motion.homing.axes)
        homing = (
            f"homed first: {axes}, one after the other, wherever it is; see that the path is clear"
        )
    takes = (
        f"about {minutes} min {seconds:02} s and {units.travel_text(plan.distance)}, of which "
        f"{units.travel_text(plan.scan_distance)} scanning; returns to gaps afterwards, "
        f"at most {motion.retry.tries} times each"
    )
    lines = [] if motion.port_settings().may_be_shared else [_UNGUARDED]
    count = f"{len(plan.lines)} lines"
    if not area.carriage.is_single:
        probes = len(area.carriage.live)
        count = f"{plan.pass_count} passes of {probes} probe{'s' * (probes > 1)} over {count}"
    lines += [
        f"{count} along {plan.along}, {plan.pattern}, at {units.speed_text(plan.speed)}",
        takes,
        homing,
        *pass_lines(station, plan, area),
    ]
    if motion.guard.first_move:
        length = units.stated_text(motion.guard.first_move)
        lasts = round(first_move_seconds(station, area))
        lines.append(
            f"first move: {length} on each axis and back, slow, compared with the encoders: about "
            f"{lasts} s more"
        )
    lines += [
        f"left out: line {left.line}, {units.number(left.extent[0], 0, 2)} to "
        f"{units.with_unit(units.number(left.extent[1], 0, 2))}: {left.why}"
        for left in plan.left_out
    ]
    if plan.unsteady > 0:
        lines.append(
            f"{units.with_unit(units.number(plan.unsteady, 0))} are scanned while the speed still "
            "changes, for want of room"
        )
    budget = motion.retry.battery_budget
    if budget is not None and plan.seconds > budget / 1e9:
        lines.append(
            f"caution: the raster alone takes longer than the battery, {budget / 1e9:,.0f} s"
        )
    apart = motion.guard.disagreement
    if area.zones.zones and motion.plan.clearance < apart - _NEAR:
        moving = apart + plan.speed * motion.guard.lag / 1e9
        lines.append(
            "caution: a slip is seen only when motor and encoder are "
            f"{units.stated_text(apart)} apart at rest, {units.with_unit(units.number(moving, 0))} at "
            f"{units.number(plan.speed, 0)} {units.speed_name}, and the clearance is "
            f"{units.stated_text(motion.plan.clearance)}: draw excluded zones that much larger"
        )
    if not motion.guard.first_move:
        lines.append(
            "caution: no first move: a wrong unit, sign, scale or axis shows only in full motion "
            "(guard.first_move)"
        )
    if motion.guard.heartbeat is None:
        lines.append(
            "caution: no dead man: nobody has to be there while it moves (guard.heartbeat)"
        )
    return lines


def may_move(station: Station, checks: Sequence[CheckMessage], *, given: bool) -> bool:
    """Return whether the crawler may move in this run; asks where there is somebody to ask.

    Args:
        station: the station file.
        checks: of the calibration, in the survey so far.
        given: whether the person said so already, on the command line.

    Raises:
        SwatheError: it was asked for, and the station file does not allow it, or all that it
            would read is suspect by a failed check.
    """
    motion = station.motion
    if motion is None:
        if given:
            message = (
                "'--arm' needs a [motion] table in the station file, which describes the machine"
            )
            raise SwatheError(message)
        return False
    if not motion.arm_allowed:
        if given:
            message = (
                "'motion.arm_allowed' must be true (got False): set it once the site allows it"
            )
            raise SwatheError(message)
        say("the crawler is not armed: 'motion.arm_allowed' of the station file is false")
        return False
    from swathe.report import MOTION_CAUTION, failed_in_force

    failed = failed_in_force(checks)
    if failed and len(failed) >= len(station.probes):
        message = (
            f"check {failed[0].number}{failed[0].of_probe} of the calibration failed: all that the "
            "crawler would read is suspect; pass a check first (`swathe verify`), or begin a new "
            "survey (`--new`)"
        )
        if given:
            raise SwatheError(message)
        say(f"the crawler is not armed: {message}")
        return False
    for check in failed:
        say(
            f"check {check.number}{check.of_probe} of the calibration failed: its readings are suspect"
        )
    plan, area = planned(station)
    say("plan of the crawler:")
    for line in plan_lines(station, plan, area):
        say(f"  {line}")
    say(MOTION_CAUTION, style="bold")
    if given:
        say("armed by --arm")
        return True
    if not (console.is_terminal and sys.stdin.isatty()):
        say("the crawler is not armed and will not move: give --arm, or run it in a terminal")
        return False
    answer = typer.prompt("type 'arm' to let it move, anything else to scan by hand")
    return str(answer).strip().lower() == "arm"
