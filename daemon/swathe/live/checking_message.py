"""What is published of the calibration check within a run."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.live.block_now import BlockNow
from swathe.live.check_round import CheckRound
from swathe.live.check_texts import due_text, gauge_line
from swathe.live.due_check import DueCheck
from swathe.messages import CheckingMessage, Heading, moment
from swathe.pipeline import Pipeline

__all__ = ["due_message", "heading_of", "progress_message"]

_MINUTE_NS = 60_000_000_000


def heading_of(pipeline: Pipeline) -> Heading:
    """Return the heading of a message of now."""
    return {
        "station": pipeline.station.name,
        "survey": pipeline.survey,
        "time": moment(pipeline.time),
    }


def due_message(pipeline: Pipeline, due: DueCheck) -> CheckingMessage:
    """Return the message while no check is in progress."""
    late, probes = due.overdue(pipeline), due.probes(pipeline)
    ended = due.line_ended
    return CheckingMessage.model_validate(
        {
            **heading_of(pipeline),
            "active": False,
            "asked": late is not None and ended,
            "overdue_minutes": None if late is None else int(late // _MINUTE_NS),
            "overdue_probes": () if late is None else probes,
            "text": "" if late is None else due_text(late, line_ended=ended, probes=probes),
        }
    )


def progress_message(
    pipeline: Pipeline,
    around: CheckRound,
    now: BlockNow,
    display: DisplayUnits,
    *,
    prompt: str,
    beyond: bool,
    steps: tuple[float, ...],
    details: dict[str, object],
) -> CheckingMessage:
    """Return the message of a check in progress.

    Args:
        pipeline: with the steps read.
        around: the round.
        now: what the gauge reads.
        display: the unit.
        prompt: what is to be done.
        beyond: the step read last is beyond the tolerance, and not decided on.
        steps: of the block, mm.
        details: phase, by and by_crawler.
    """
    number = around.steps.number - beyond
    results = zip(around.probes, around.results, strict=True)
    return CheckingMessage.model_validate(
        {
            **heading_of(pipeline),
            **details,
            "active": True,
            "asked": False,
            "overdue_minutes": None,
            "text": prompt,
            "gauge": gauge_line(now, display),
            "probe": around.name,
            "probes": tuple(
                {"name": probe.name, "result": result} for probe, result in results if around.name
            ),
            "step": steps[number - 1],
            "number": number,
            "steps": len(steps),
            "value": now.value if now.readings else None,
            "spread": now.spread if now.readings else None,
            "steady": now.steady,
            "lifted": now.lifted,
            "beyond": beyond,
            "taken": pipeline.suspect_cells.checks.steps_read,
        }
    )
