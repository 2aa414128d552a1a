"""A calibration check within a run as text, in the unit that the operator reads."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.display_units import DisplayUnits
from swathe.live.block_now import BlockNow
from swathe.pipeline import Check, CheckStep

__all__ = ["due_text", "failed_text", "gauge_line", "reading_text", "step_text", "verdict_text"]

_MINUTE_NS = 60_000_000_000


def step_text(
    number: int,
    steps: Sequence[float],
    display: DisplayUnits,
    *,
    beyond: bool,
    now: BlockNow,
    probe: str = "",
) -> str:
    """Return what is to be done for a step.

    Args:
        number: of the step, from 1.
        steps: of the block, mm.
        display: the unit.
        beyond: the step was read, and is beyond the tolerance.
        now: what the gauge reads.
        probe: name of the probe, of several.
    """
    which = f"probe {probe}" if probe else "the probe"
    step = display.stated_thickness_text(steps[number - 1])
    head = f"step {step}, {number} of {len(steps)}"
    if beyond:
        return f"{head}: beyond the tolerance; read it again, or take it as it is"
    if not now.lifted:
        return f"{head}: lift {which}, and put it on the step of {step}"
    if now.steady:
        return f"{head}: steady; take the reading if {which} is on this step"
    return f"{head}: put {which} on the step of {step}, and hold it still"


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


def verdict_text(check: Check, display: DisplayUnits) -> str:
    """Return the verdict of a check by itself, and the cells that a failed one made suspect."""
    worst = display.difference_text(check.worst, sign=True)
    tolerance = display.difference_text(check.tolerance)
    head = f"check {check.number}{f' of probe {check.probe_name}' if check.probe_name else ''}"
    if check.passed:
        return f"{head} passed: {worst} at most, within {tolerance}"
    cells = "cell" if check.suspects == 1 else "cells"
    whose = " of this probe" if check.probe_name else ""
    return (
        f"{head} FAILED: {worst}, beyond {tolerance}. {check.suspects:,} {cells}{whose} read "
        "since the last check that passed are suspect, and so is what is read until one passes"
    )


def failed_text() -> str:
    """Return what is to be done after a round in which a check failed."""
    return (
        "If the step or the couplant was wrong, check again; else calibrate again, begin a run with "
        "the new record, and scan the suspect cells again. The run stays paused until somebody "
        "resumes it"
    )


def due_text(late: int, *, line_ended: bool, probes: Sequence[str] = ()) -> str:
    """Return that a check is due, since how long, and when it is to be made.

    Args:
        late: by how much it is overdue, ns.
        line_ended: whether the line ended on which the probe was as it became due.
        probes: whose check it is, of several.
    """
    of = f" of probe{'s' * (len(probes) > 1)} {', '.join(probes)}" if probes else ""
    minutes = late // _MINUTE_NS
    since = f"overdue by {minutes // 60} h {minutes % 60} min" if minutes >= 60 else ""
    since = since or (f"overdue by {minutes} min" if minutes else "due")
    when = "check now" if line_ended else "check at the end of this line"
    return f"calibration check{of} {since}: {when}"
