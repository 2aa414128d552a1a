"""A calibration check within a run as text, in the unit that the operator reads."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.display_units import DisplayUnits
from swathe.live.block_now import BlockNow
from swathe.pipeline import Check, CheckStep

__all__ = ["check_done_text", "due_text", "gauge_line", "reading_text", "step_text"]

_MINUTE_NS = 60_000_000_000


def step_text(
    number: int, steps: Sequence[float], display: DisplayUnits, *, beyond: bool, now: BlockNow
) -> str:
    """Return what is to be done for a step.

    Args:
        number: of the step, from 1.
        steps: of the block, mm.
        display: the unit.
        beyond: the step was read, and is beyond the tolerance.
        now: what the gauge reads.
    """
    step = display.stated_thickness_text(steps[number - 1])
    head = f"step {step}, {number} of {len(steps)}"
    if beyond:
        return f"{head}: beyond the tolerance; read it again, or take it as it is"
    if not now.lifted:
        return f"{head}: lift the probe, and put it on the step of {step}"
    if now.steady:
        return f"{head}: steady; take the reading if the probe is on this step"
    return f"{head}: put the probe on the step of {step}, and hold it still"


def gauge_line(now: BlockNow, display: DisplayUnits) -> str:
    """Return what the gauge reads, and why that is not steady."""
    if not now.readings:
        return f"gauge: – · {now.reason}"
    value, spread = display.thickness_text(now.value), display.difference_text(now.spread)
    state = now.reason or "STEADY"
    return f"gauge: {value}, spread {spread} · {state}"


def reading_text(step: CheckStep, display: DisplayUnits) -> str:
    """Return what a step was read as."""
    true, read = (
        display.stated_thickness_text(step.thickness),
        display.thickness_text(step.measured),
    )
    return f"step {true} read as {read}, {display.difference_text(step.deviation, sign=True)}"


def check_done_text(check: Check, display: DisplayUnits) -> str:
    """Return the verdict of a check, and what follows from a failed one."""
    worst = display.difference_text(check.worst, sign=True)
    tolerance = display.difference_text(check.tolerance)
    if check.passed:
        return f"check {check.number} passed: {worst} at most, within {tolerance}"
    cells = "cell" if check.suspects == 1 else "cells"
    return (
        f"check {check.number} FAILED: {worst}, beyond {tolerance}. {check.suspects:,} {cells} read "
        "since the last check that passed are suspect, and so is what is read until one passes. If "
        "the step or the couplant was wrong, check again; else calibrate again, begin a run with the "
        "new record, and scan the suspect cells again. The run stays paused until somebody resumes it"
    )


def due_text(late: int, *, line_ended: bool) -> str:
    """Return that a check is due, since how long, and when it is to be made.

    Args:
        late: by how much it is overdue, ns.
        line_ended: whether the line ended on which the probe was as it became due.
    """
    minutes = late // _MINUTE_NS
    since = f"overdue by {minutes // 60} h {minutes % 60} min" if minutes >= 60 else ""
    since = since or (f"overdue by {minutes} min" if minutes else "due")
    when = "check now" if line_ended else "check at the end of this line"
    return f"calibration check {since}: {when}"
