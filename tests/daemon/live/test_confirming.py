"""A person's decision about a doubtful thickness: the commands, the mark, and the terminal's questions."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest
from pydantic import ValidationError

from daemon.live.test_crawl_confirm import Part
from swathe.board import Question
from swathe.journal import Mark, MarkKind
from swathe.live.confirm_prompts import ask_to_confirm
from swathe.live.confirming import decide
from swathe.messages import CommandMessage
from swathe.pipeline.spurious.register import PlaceState


class Desk:
    """A survey with two doubtful values, whose marks take effect at once."""

    def __init__(self) -> None:
        self.part = Part()
        self.pipeline = self.part.pipeline
        self.marks: list[Mark] = []

    def mark(self, kind: MarkKind, **detail: Any) -> None:
        """Journal a mark."""
        self.marks.append(Mark(0, kind, detail))
        self.pipeline._flags_changed(self.pipeline.spurious.decide(self.marks[-1], 0))
        self.pipeline._list_places(0)

    def decide(self, number: int, *, is_real: bool) -> str:
        """Decide as K."""
        return decide(cast("Any", self), number, "K", "seen", is_real=is_real)


def test_confirmed_thickness_is_the_minimum_and_the_opposite_undoes_it() -> None:
    """The mark names value and place, so that it is found where readings are placed again."""
    desk = Desk()
    assert desk.decide(1, is_real=True) == "place 1: 5.00 mm is confirmed by K"
    (mark,) = desk.marks
    assert mark.kind is MarkKind.CONFIRMED
    assert mark.detail == {
        "place": 1, "scan": 160.0, "index": 40.0, "thickness": 5.0, "by": "K", "text": "seen",
    }  # fmt: skip
    assert desk.pipeline.minimum.value == 5.0
    text = "place 1: 5.00 mm is rejected by K; it stays listed"
    assert desk.decide(1, is_real=False) == text
    assert desk.pipeline.minimum.value == 10.0
    assert [place.state for place in desk.pipeline.spurious.register.listed] == [
        PlaceState.OPEN,
        PlaceState.REJECTED,
    ]


def test_decision_that_changes_nothing_is_refused() -> None:
    """An unknown place, one that evidence confirmed, and one that is doubtful no more."""
    desk = Desk()
    assert desk.decide(9, is_real=True) == "refused: there is no place 9 to confirm"
    first, second = desk.part.pits
    desk.part.read(np.array([first]), [5.0])
    desk.part.read(np.array([second + 1]), [5.0])
    assert desk.decide(1, is_real=False) == (
        "refused: place 1 was read again at another pass: to take readings out, discard them"
    )
    assert desk.decide(2, is_real=True).startswith("refused: place 2 is settled: ")
    assert desk.marks == []


@pytest.mark.parametrize("command", ["confirm", "reject"])
@pytest.mark.parametrize("lacking", ["number", "text"])
def test_command_needs_its_number_and_a_reason(command: str, lacking: str) -> None:
    """Neither is made without a reason."""
    fields = {"command": command, "id": "a", "by": "K", "number": 1, "text": "seen"}
    CommandMessage.model_validate(fields)
    del fields[lacking]
    with pytest.raises(ValidationError, match=lacking):
        CommandMessage.model_validate(fields)


def test_terminal_asks_for_place_verdict_and_reason() -> None:
    """It proposes the most dangerous place, and says what is known of it."""
    part, sent = Part(), []

    def send(fields: Any) -> str:
        sent.append(fields)
        return "done"

    which = ask_to_confirm(part.pipeline, send)
    assert isinstance(which, Question)
    assert which.initial == "1"
    with pytest.raises(ValueError, match=r"must be the number of a place to confirm: 1, 2"):
        which.accept("7")
    what = which.accept("#2")
    assert isinstance(what, Question)
    assert what.label.startswith("5.00 mm at scan 80.0 mm, index 64.0 mm: halved, lone low; ")
    with pytest.raises(ValueError, match="must be real or spurious"):
        what.accept("")
    why = what.accept("s")
    assert isinstance(why, Question)
    with pytest.raises(ValueError, match="a reason is needed"):
        why.accept("")
    assert why.accept("grease") == "done"
    assert sent == [{"command": "reject", "number": 2, "text": "grease"}]


def test_terminal_says_where_nothing_is_to_be_confirmed() -> None:
    """It asks for nothing then."""
    part = Part()
    for cell in part.pits:
        part.read(np.array([cell]), [5.0])
    answer = ask_to_confirm(part.pipeline, lambda _: "")
    assert answer == "no thickness is to be confirmed"
