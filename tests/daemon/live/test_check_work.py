"""A calibration check within a run: prompts, refusals, the verdict, and what follows from it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.handmade import VELOCITY, line, station_text
from swathe.display_units import DisplayUnits
from swathe.journal import Chunk, Mark, MarkKind, PortChange, Tick, read_journal
from swathe.live.block_now import block_now
from swathe.live.check_work import CheckWork
from swathe.live.commands import Commands
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.session import Session
from swathe.messages import CheckingMessage, CommandMessage
from swathe.pipeline import CellState
from swathe.station import parse_station
from swathe.store import SurveyFolder

MS = 1_000_000
MINUTE = 60_000 * MS
VERIFICATION = '\n[verification]\nsteps = ["12 mm", "5 mm"]\ntolerance = "0.1 mm"\ninterval = "10 min"\nblock = "B-7"\n'


class Bench:
    """A run by hand without ports, whose clock the test moves."""

    def __init__(self, folder: Path, text: str) -> None:
        self.station = parse_station(text, "bench.toml")
        self.time = 1_000 * MS
        self.folder = SurveyFolder(folder)
        self.session = Session(
            self.folder,
            self.station,
            text,
            clock=lambda: self.time,
            wall_clock=lambda: 1_800_000_000_000_000_000 + self.time,
        )
        self.mirror = Mirror()
        self.work = CheckWork(
            self.session, self.mirror, self.station.verification, clock=lambda: self.time
        )
        self.commands = Commands(
            self.station, self.session, stop=lambda _: None, ending=lambda: False
        )
        self.commands.checks = self.work
        self._number = 0

    def begin(self) -> None:
        """Begin the run, the probe on the part at 0 mm."""
        self.session.resume()
        for port in ("encoder", "gauge"):
            self.session.enter(PortChange(self.time, port, "open", ""))

    def send(self, count: float | None, wall: float | None, times: int = 1) -> None:
        """Let the devices send, every 10 ms: a count, mm, and a wall, mm; None for nothing, no echo."""
        for _ in range(times):
            self.time += 10 * MS
            ms = self.time // MS
            if count is not None:
                self.session.enter(Chunk(self.time, "encoder", line(f"P,{ms},{count * 10:.0f}")))
            echo = f"{2 * wall / VELOCITY:.6f},E" if wall is not None else "0.000,N"
            self.session.enter(Chunk(self.time, "gauge", line(f"R,{ms},{echo}")))
            self.time += 1
            self.session.enter(Tick(self.time))
            self.work.advance()

    def scan(self, begin: float, end: float, wall: float = 10.0) -> None:
        """Scan from a count to another at 50 mm/s, mm."""
        for place in np.arange(begin, end, 0.5):
            self.send(float(place), wall)

    def put_on(self, wall: float, readings: int = 25) -> None:
        """Lift the probe, and hold it on a step; the counter is in the air."""
        self.send(None, None, 5)
        self.send(None, wall, readings)

    def say(self, command: str, **other: Any) -> str:
        """Give a command and return the reply's text."""
        self._number += 1
        message = CommandMessage.model_validate(
            {"id": str(self._number), "by": "Kim", "command": command, **other}
        )
        return self.commands.execute(message, Origin.MQTT).detail

    def shown(self) -> CheckingMessage:
        """Return what is published of a check."""
        self.time += 300 * MS
        self.work.advance()
        message = self.mirror.messages["swathe/bench/checking"]
        assert isinstance(message, CheckingMessage)
        return message

    def marks(self) -> list[tuple[MarkKind, dict[str, Any]]]:
        """Return the marks in the journal."""
        self.session.flush(sync=False)
        entries = read_journal(self.folder.journal)
        return [(entry.kind, entry.detail) for entry in entries if isinstance(entry, Mark)]

    def suspect(self) -> list[int]:
        """Return the suspect cells."""
        return np.flatnonzero(self.session.pipeline.grid.state == CellState.SUSPECT).tolist()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Return a run over 21 cells."""
    made = Bench(tmp_path / "survey", station_text() + VERIFICATION)
    with made.session:
        made.begin()
        yield made


def test_check_is_led_through_step_by_step_and_the_scan_resumes(bench: Bench) -> None:
    """Each step is read once the probe was off and on, and steady; the marks are those of verify."""
    bench.scan(0, 8)
    assert bench.say("check") == (
        "paused for a calibration check: step 12 mm, 1 of 2: lift the probe, and put it on the step "
        "of 12 mm"
    )
    pauses = bench.session.pipeline.pauses
    assert (pauses.active, pauses.because) == (True, "calibration check, step 12 mm")
    refused = "refused: the probe was not lifted: lift it, and put it on the step of 12 mm"
    assert bench.say("check step") == refused
    bench.put_on(12.02, 8)
    assert bench.say("check step") == "refused: 8 of 20 readings: hold the probe still"
    bench.send(None, 12.02, 20)
    assert bench.shown().text == (
        "step 12 mm, 1 of 2: steady; take the reading if the probe is on this step"
    )
    assert bench.say("check step").startswith(
        "step 12 mm read as 12.02 mm, +0.020 mm; step 5 mm, 2 of 2"
    )
    assert pauses.because == "calibration check, step 5 mm"
    bench.put_on(4.99)
    assert bench.say("check step") == (
        "step 5 mm read as 4.99 mm, -0.010 mm; check 1 passed: +0.020 mm at most, within 0.100 mm; "
        "set the probe down on the part, and give its place: it continues from there"
    )
    assert not pauses.active
    kinds = [kind for kind, _ in bench.marks()]
    assert kinds == [
        MarkKind.OPENED,
        MarkKind.PAUSED,
        MarkKind.CHECK_BEGUN,
        MarkKind.CHECK_STEP,
        MarkKind.PAUSED,
        MarkKind.CHECK_STEP,
        MarkKind.CHECK_ENDED,
        MarkKind.RESUMED,
    ]
    begun = bench.marks()[2][1]
    assert begun == {
        "phase": "interval",
        "by": "Kim",
        "tolerance": 0.1,
        "block": "B-7",
        "off_part": True,
    }
    assert bench.session.pipeline.lost_axes == ("scan",)
    assert bench.shown().active is False


def test_check_before_any_reading_is_one_before_the_scan(bench: Bench) -> None:
    """By default; a phase that is given is kept."""
    bench.say("check")
    assert bench.marks()[-1][1]["phase"] == "before"
    bench.say("check give up")
    bench.say("check", phase="after")
    assert bench.marks()[-1][1]["phase"] == "after"


def test_reading_beyond_the_tolerance_is_asked_about_before_it_counts(bench: Bench) -> None:
    """The wrong step was read: it is read again, nothing becomes suspect, and both are stated."""
    bench.scan(0, 8)
    bench.say("check")
    bench.put_on(5.0)
    said = bench.say("check step")
    assert said.startswith(
        "step 12 mm read as 5.00 mm, -7.000 mm: BEYOND the tolerance of 0.100 mm."
    )
    assert bench.shown().beyond
    assert bench.shown().number == 1
    assert bench.say("check redo").startswith("read it again: step 12 mm, 1 of 2")
    bench.put_on(12.0)
    bench.say("check step")
    bench.put_on(5.0)
    assert "check 1 passed" in bench.say("check step")
    (check,) = bench.session.pipeline.suspect_cells.checks.checks
    assert [step.redone for step in check.steps] == [1, 0]
    assert bench.suspect() == []


def test_check_that_fails_leaves_the_run_paused_and_says_what_to_do(bench: Bench) -> None:
    """Both readings beyond the tolerance are kept: cells are suspect, and nobody scans on unasked."""
    bench.scan(0, 8)
    bench.say("check")
    for wall in (12.3, 5.3):
        bench.put_on(wall)
        assert "BEYOND" in bench.say("check step")
        said = bench.say("check step")
    assert "check 1 FAILED: +0.300 mm, beyond 0.100 mm. 8 cells read since the last" in said
    assert "calibrate again" in said
    assert bench.suspect() == [*range(8)]
    pauses = bench.session.pipeline.pauses
    assert (pauses.active, pauses.because) == (True, "calibration check 1 FAILED")
    assert bench.say("resume") == "resumed"


def test_give_up_does_not_count_and_the_scan_resumes(bench: Bench) -> None:
    """Nothing is judged, and the place is asked for."""
    bench.scan(0, 8)
    bench.say("check")
    bench.put_on(15.0)
    assert bench.say("check step").startswith("step 12 mm read as 15.00 mm")
    assert bench.say("check give up", text="no couplant").startswith(
        "the calibration check was given up, and does not count; set the probe down"
    )
    assert bench.session.pipeline.suspect_cells.checks.checks == []
    assert bench.suspect() == []
    assert not bench.session.pipeline.pauses.active
    assert bench.marks()[-2][1] == {"by": "Kim", "because": "no couplant"}
    assert bench.say("check step") == (
        "refused: no calibration check is in progress: 'check' begins one"
    )


@pytest.mark.parametrize("command", ["pause", "resume", "next line", "reference"])
def test_commands_that_would_take_a_check_apart_are_refused(bench: Bench, command: str) -> None:
    """The probe is on the block: no pause ends, and no place or line is given meanwhile."""
    bench.scan(0, 8)
    bench.say("check")
    fields = {"scan": 0.0} if command == "reference" else {}
    assert bench.say(command, **fields) == (
        "refused: a calibration check is in progress: finish it, or give it up"
    )
    assert bench.say("check").startswith("refused: a calibration check is in progress: step 12 mm")
    assert bench.say("note", text="dry").startswith("noted")


def test_station_without_verification_refuses_a_check(tmp_path: Path) -> None:
    """The reply says what to add."""
    made = Bench(tmp_path / "survey", station_text())
    with made.session:
        made.begin()
        assert made.say("check") == (
            "refused: the station file has no table [verification]: add steps and tolerance"
        )


def test_due_check_is_asked_for_once_the_line_has_ended(tmp_path: Path) -> None:
    """Before that it is announced; both say for how long it has been overdue."""
    index = '[index]\nlength = "5 mm"\nresolution = "1 mm"\nmode = "stepped"\n'
    made = Bench(tmp_path / "survey", station_text(index=index) + VERIFICATION)
    with made.session:
        made.begin()
        made.say("check")
        for wall in (12.0, 5.0):
            made.put_on(wall)
            made.say("check step")
        assert (made.shown().text, made.shown().overdue_minutes) == ("", None)
        made.time += 10 * MINUTE
        made.session.enter(Tick(made.time))
        shown = made.shown()
        assert (shown.text, shown.asked) == (
            "calibration check due: check at the end of this line",
            False,
        )
        made.time += 3 * MINUTE
        made.session.enter(Tick(made.time))
        made.say("next line")
        shown = made.shown()
        assert shown.text == "calibration check overdue by 3 min: check now"
        assert (shown.asked, shown.overdue_minutes) == (True, 3)
        made.say("check")
        assert made.shown().overdue_minutes is None
        assert made.work.overdue is None


def test_run_that_ends_within_a_check_gives_it_up(bench: Bench) -> None:
    """No verdict comes from half of a block."""
    bench.say("check")
    bench.work.finish()
    assert bench.marks()[-1] == (
        MarkKind.CHECK_GIVEN_UP,
        {"by": "Kim", "because": "the run ended"},
    )
    bench.work.finish()
    assert len(bench.marks()) == 4


def test_texts_of_a_station_in_inches_have_no_mm(tmp_path: Path) -> None:
    """Steps, readings, deviations and the tolerance are in the station's unit."""
    text = station_text().replace('name = "bench"', 'name = "bench"\nunits = "in"', 1)
    steps = VERIFICATION.replace('"12 mm", "5 mm"', '"0.5 in", "0.2 in"')
    made = Bench(tmp_path / "survey", text + steps)
    with made.session:
        made.begin()
        said = [made.say("check")]
        for inches in (0.504, 0.205):
            made.put_on(25.4 * inches, 8)
            said += [made.say("check step"), made.shown().gauge]
            made.send(None, 25.4 * inches, 20)
            said += [made.say("check step"), made.shown().text, made.say("check step")]
        assert "step 0.200 in read as 0.205 in, +0.0050 in" in " ".join(said)
        assert "mm" not in " ".join(said)
        assert "0.500 in" in said[0]
        published = json.loads(made.mirror.newest["swathe/bench/checking"])
        assert "mm" not in published["text"] + published["gauge"]


# --- what the readings on a block show, by themselves

COLUMNS = [("time", "<i8"), ("thickness", "<f8"), ("valid", "?")]


def block(*walls: float | None, step_ms: int = 10, first_ms: int = 0) -> Any:
    """Return readings at intervals; None has no echo."""
    made = np.zeros(len(walls), COLUMNS)
    made["time"] = (first_ms + step_ms * (1 + np.arange(len(walls)))) * MS
    made["thickness"] = [wall or 0.0 for wall in walls]
    made["valid"] = [wall is not None for wall in walls]
    return made


def look(readings: Any, *, before: float = np.nan, wait_ms: int = 0, unit: str = "mm") -> Any:
    """Return what readings show `wait_ms` after the last one."""
    now = (int(readings["time"][-1]) if readings.size else 0) + wait_ms * MS
    display = DisplayUnits("in") if unit == "in" else DisplayUnits("mm")
    return block_now(readings, now=now, before=before, since=0, display=display)


def test_steady_needs_enough_readings_that_agree_since_the_probe_was_put_on() -> None:
    """Readings from before the last time in the air belong to no step."""
    on = [12.0] * 20
    assert look(block(None, *on)).steady
    assert not look(block(None, *on[1:])).steady
    assert not look(block(*on, None, *on[1:])).steady
    assert look(block(*[5.0] * 30, None, *on)).value == 12.0
    spread = look(block(None, *[12.0 + 0.11 * (k % 2) for k in range(20)]))
    assert not spread.steady
    assert spread.reason.startswith("not steady, they spread over 0.110 mm, more than 0.100 mm")
    drifts = look(block(None, *[12.0 + 0.004 * k for k in range(20)]))
    assert drifts.reason == "they drift by +0.076 mm: wait until the couplant film has settled"


def test_probe_counts_as_lifted_by_no_echo_a_silence_or_another_wall() -> None:
    """Held on the step before it is the same coupling, however long it is held."""
    assert not look(block(*[12.0] * 200)).lifted
    assert look(block(12.0, None, 12.0)).lifted
    assert look(block(*[12.0] * 5, None)).lifted
    assert look(block(*[12.0] * 5), wait_ms=600).lifted
    assert not look(block(*[12.0] * 5), wait_ms=400).lifted
    gap = np.concatenate([block(*[12.0] * 5), block(*[12.0] * 5, first_ms=700)])
    assert look(gap).lifted
    silent = np.concatenate([block(*[12.0] * 5), block(*[12.0] * 19, first_ms=700)])
    assert not look(silent).steady  # five of them are from before it was put on again
    assert look(block(*[12.0] * 9, 12.25), before=12.0).lifted
    assert not look(block(*[12.0] * 9, 12.15), before=12.0).lifted
    # A slow gauge is not silent between two of its readings.
    assert not look(block(*[12.0] * 9, step_ms=700)).lifted


def test_probe_in_the_air_has_no_value() -> None:
    """The newest reading has no echo, or none came for a while."""
    for readings, wait in ((block(*[12.0] * 30, None), 0), (block(*[12.0] * 30), 600)):
        found = look(readings, wait_ms=wait)
        assert np.isnan(found.value)
        assert found.reason == "no echo: put the probe on, and look at the couplant"
    assert look(block()).reason == "the gauge sends nothing"
