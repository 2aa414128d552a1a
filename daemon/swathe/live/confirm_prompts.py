"""What the terminal asks for when a person confirms or rejects a doubtful thickness."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from swathe.board import Question, Reply
from swathe.messages import ConfirmSnapshot, PlanMessage
from swathe.pipeline import Pipeline
from swathe.pipeline.progress.confirm_snapshot import confirm_text, listed_snapshots

__all__ = ["ask_to_confirm"]

_CHOICES = ("real", "spurious")


def ask_to_confirm(pipeline: Pipeline, send: Callable[[Mapping[str, Any]], str]) -> Reply:
    """Ask which place is meant, whether its thickness is real, and why; then send the command.

    Args:
        pipeline: of the survey.
        send: executes a command by its fields, and returns the reply.
    """
    places = {
        place.number: place for place in listed_snapshots(pipeline.spurious.register, pipeline.grid)
    }
    if not places:
        return "no thickness is to be confirmed"
    first = next(iter(places))

    def accept(text: str) -> Reply:
        number = int(text.lstrip("#")) if text.lstrip("#").isdecimal() else -1
        if number not in places:
            known = ", ".join(map(str, list(places)[:8]))
            message = f"must be the number of a place to confirm: {known} (got {text!r})"
            raise ValueError(message)
        return _ask_what(pipeline, places[number], send)

    label = "number of the place to confirm, the most dangerous one first:"
    return Question(label=label, accept=accept, initial=str(first))


def _ask_what(
    pipeline: Pipeline, place: ConfirmSnapshot, send: Callable[[Mapping[str, Any]], str]
) -> Reply:
    station = pipeline.station
    where = PlanMessage.of_survey(pipeline).where

    def accept(text: str) -> Reply:
        what = next((one for one in _CHOICES if text and one.startswith(text.casefold())), None)
        if what is None:
            message = f"must be real or spurious (got {text!r})"
            raise ValueError(message)
        command = "confirm" if what == "real" else "reject"

        def explain(reason: str) -> Reply:
            if not reason:
                message = "a reason is needed: it is recorded with your name"
                raise ValueError(message)
            return send({"command": command, "number": place.number, "text": reason})

        return Question(label=f"why is it {what}?", accept=explain)

    label = f"{confirm_text(place, station.display, where)}. Is it real or spurious?"
    return Question(label=label, accept=accept, choices=_CHOICES)
