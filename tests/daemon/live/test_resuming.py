"""Who lets a stopped crawler continue, from where, and what ends a pause instead."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from swathe.journal import MarkKind
from swathe.live.crawl.resuming import Resuming
from swathe.live.origin import Origin
from swathe.live.run_state import WaitsFor

STATION = "press g at the station's terminal"
EVERYWHERE = ("station", "page", "mqtt")


class Scene:
    """A crawler that rests and waits for a person, unless a test changes that."""

    def __init__(self, resume_from: tuple[str, ...] = ("station",)) -> None:
        self.marks: list[tuple[MarkKind, dict[str, Any]]] = []
        self.let: list[str] = []
        self.pauses = SimpleNamespace(active=False, by="")
        self.drive = SimpleNamespace(rests=True)
        self.homing = SimpleNamespace(done=True)
        self.recovery = SimpleNamespace(
            waits_for=WaitsFor.PERSON, hopeless=False, go_on=self._let, answer="continues"
        )
        self.checking = SimpleNamespace(in_hands=False)
        session = SimpleNamespace(
            pipeline=SimpleNamespace(pauses=self.pauses),
            mark=lambda kind, **detail: self.marks.append((kind, detail)),
        )
        given = {"drive": self.drive, "homing": self.homing, "recovery": self.recovery}
        self.resuming = Resuming(
            cast("Any", SimpleNamespace(resume_from=resume_from)),
            cast("Any", session),
            **cast("dict[str, Any]", given),
            checking=cast("Any", self.checking),
        )

    def _let(self, by: str) -> str:
        self.let.append(by)
        return str(self.recovery.answer)

    def pause(self, by: str) -> None:
        """Let somebody have paused."""
        self.pauses.active, self.pauses.by = True, by


@pytest.mark.parametrize("origin", [Origin.PAGE, Origin.MQTT])
@pytest.mark.parametrize("named", [True, False])
def test_from_afar_only_where_the_station_file_names_it(origin: Origin, named: bool) -> None:
    """By name of the place; the refusal gives the key of the file and who may."""
    place = {Origin.PAGE: "page", Origin.MQTT: "mqtt"}[origin]
    other = {"page": "mqtt", "mqtt": "page"}[place]
    scene = Scene(("station", place if named else other))
    answer = scene.resuming.resume("A. Kern", origin)
    if named:
        assert (answer, scene.let) == ("continues", ["A. Kern"])
    else:
        assert scene.let == []
        assert answer == (
            f"refused: the crawler rests: {STATION}; 'motion.resume_from' of the station file does "
            f"not name {place!r}, so it does not continue from here"
        )


def test_resume_at_the_terminal_lets_no_crawler_move() -> None:
    """There the key g does, which asks whether everybody is clear."""
    scene = Scene(EVERYWHERE)
    assert scene.resuming.resume("A. Kern") == f"refused: the crawler rests: {STATION}"
    assert scene.let == []
    assert scene.resuming.go_on("A. Kern") == "continues"
    assert scene.let == ["A. Kern"]


@pytest.mark.parametrize(
    ("hopeless", "rests", "why"),
    [
        (True, True, "what stopped it is found at the machine only"),
        (False, False, "it is not known to be at rest"),
    ],
)
def test_only_who_sees_it_lets_it_continue(hopeless: bool, rests: bool, why: str) -> None:
    """Whatever the station file allows from afar; the places are then the station alone."""
    scene = Scene(EVERYWHERE)
    scene.recovery.hopeless, scene.drive.rests = hopeless, rests
    for origin in (Origin.PAGE, Origin.MQTT):
        answer = scene.resuming.resume("A. Kern", origin)
        assert answer == f"refused: the crawler rests: {STATION}: {why}"
    assert scene.let == []
    assert list(scene.resuming.places) == ["station"]
    assert scene.resuming.todo.endswith(f"clear of it: {STATION}")
    scene.recovery.hopeless, scene.drive.rests = False, True
    assert list(scene.resuming.places) == list(EVERYWHERE)


def test_pause_of_a_person_ends_though_the_crawler_rests_on() -> None:
    """The reply states both: readings count again, and what the crawler itself waits for."""
    scene = Scene()
    scene.pause("B. Lee")
    answer = scene.resuming.resume("A. Kern", Origin.PAGE)
    assert answer.startswith(f"continuing; the crawler itself still rests: {STATION}; ")
    assert scene.marks == [(MarkKind.RESUMED, {"by": "A. Kern"})]
    assert scene.let == []


def test_pause_before_homing_becomes_the_crawlers() -> None:
    """Readings count for no cell before the crawler knows where it is, whoever resumes."""
    scene = Scene()
    scene.recovery.waits_for, scene.homing.done = WaitsFor.NOTHING, False
    scene.pause("B. Lee")
    answer = scene.resuming.resume("A. Kern", Origin.PAGE)
    assert answer == "continuing: readings count once the crawler knows where it is"
    ((kind, detail),) = scene.marks
    assert (kind, detail["by"]) == (MarkKind.PAUSED, "crawler")
    assert detail["because"] == "homing, let go on by A. Kern"


def test_pause_of_the_crawler_is_its_own() -> None:
    """Nobody ends it, from wherever."""
    scene = Scene(EVERYWHERE)
    scene.recovery.waits_for = WaitsFor.NOTHING
    scene.pause("crawler")
    refused = "refused: the crawler ends its own pause, once it knows where it is"
    assert scene.resuming.resume("A. Kern", Origin.PAGE) == refused
    assert scene.resuming.end_pause("A. Kern") == refused
    assert scene.marks == []
    scene.pauses.active = False
    assert scene.resuming.resume("A. Kern", Origin.PAGE) == "refused: not paused"


def test_who_lets_it_continue_ends_a_pause_of_a_person_too() -> None:
    """But not the crawler's own, and not where it does not continue."""
    scene = Scene()
    scene.pause("B. Lee")
    scene.recovery.answer = "refused: the port is lost"
    assert scene.resuming.go_on("A. Kern") == "refused: the port is lost"
    assert scene.marks == []
    scene.recovery.answer = "continues"
    assert scene.resuming.go_on("A. Kern") == "continues"
    assert [kind for kind, _ in scene.marks] == [MarkKind.RESUMED]
    scene.pause("crawler")
    scene.resuming.go_on("A. Kern")
    assert len(scene.marks) == 1


def test_check_in_hands_comes_before_anything_that_moves() -> None:
    """It is finished or given up first; what is to be done names that."""
    scene = Scene(EVERYWHERE)
    scene.checking.in_hands = True
    refused = "refused: a calibration check is in progress: finish it, or give it up"
    assert scene.resuming.go_on("A. Kern") == refused
    assert scene.resuming.resume("A. Kern", Origin.PAGE) == refused
    assert scene.let == []
    assert scene.resuming.todo == "finish the calibration check, or give it up"


def test_what_a_person_has_to_do_names_each_place() -> None:
    """Nothing where it waits for nobody; the dead man's control is another thing."""
    scene = Scene(EVERYWHERE)
    assert scene.resuming.todo == (
        f"see to the cause, and when everybody is clear of it: {STATION}, or Resume on the page, or "
        "the command 'resume' over MQTT"
    )
    scene.recovery.waits_for = WaitsFor.DEAD_MAN
    assert scene.resuming.todo == "hold the dead man's control, which sends 'alive'"
    for waits in (WaitsFor.NOTHING, WaitsFor.PORTS, WaitsFor.DISK, WaitsFor.HOST):
        scene.recovery.waits_for = waits
        assert scene.resuming.todo == ""
