"""A round of checks within a run: probe after probe over the block, and what may be skipped or repeated."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.handmade import VELOCITY, line, station_text
from daemon.live.test_check_work import MINUTE, MS, VERIFICATION, Bench
from daemon.pipeline.test_probes import text_of
from swathe.board.check_texts import check_lines
from swathe.journal import Chunk, MarkKind, PortChange, Tick
from swathe.messages import moment
from swathe.pipeline import CellState
from swathe.store import SurveyFolder, record_of, replay

PROBES = {"gauge": (0.0, 0.0), "second": (0.0, 3.0)}


class RoundBench(Bench):
    """A run by hand with two probes, without ports, whose clock the test moves."""

    def begin(self) -> None:
        """Begin the run."""
        self.session.resume()
        for port in ("encoder", *PROBES):
            self.session.enter(PortChange(self.time, port, "open", ""))

    def read(self, probe: str, wall: float | None) -> None:
        """Let the gauge of a probe send a wall, mm, or no echo."""
        ms = self.time // MS
        echo = f"{2 * wall / VELOCITY:.6f},E" if wall is not None else "0.000,N"
        self.session.enter(Chunk(self.time, probe, line(f"R,{ms},{echo}")))

    def pass_on(self) -> None:
        """Let 10 ms pass; each fifth time is a tick."""
        self.time += 10 * MS
        if self.time // MS % 50 == 0:
            self.session.enter(Tick(self.time))
            self.work.advance()

    def go(self, begin: float, end: float) -> None:
        """Scan from a place to another at 50 mm/s on row 2; both probes read 10 mm."""
        for place in np.arange(begin, end, 0.5):
            self.session.enter(
                Chunk(self.time, "encoder", line(f"P,{self.time // MS},{place * 10:.0f},20"))
            )
            for name in PROBES:
                self.read(name, 10.0)
            self.pass_on()

    def hold(self, probe: str, wall: float) -> None:
        """Lift a probe and hold it on a step, while the other one reads 7 mm where it hangs."""
        for number in range(30):
            for name in PROBES:
                on = wall if number >= 5 else None
                self.read(name, on if name == probe else 7.0)
            self.pass_on()

    def step(self, probe: str, wall: float) -> str:
        """Hold a probe on a step and have it read."""
        self.hold(probe, wall)
        return self.say("check step")

    def results(self) -> list[tuple[str, str]]:
        """Return what is published of the probes of the round."""
        return [(one.name, str(one.result)) for one in self.shown().probes]

    def states(self) -> tuple[int, int]:
        """Return how many cells of each probe's row are suspect."""
        grid = self.session.pipeline.grid
        state = grid.state.reshape(grid.shape)
        return tuple(int((state[row] == CellState.SUSPECT).sum()) for row in (2, 5))  # type: ignore[return-value]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[RoundBench]:
    """Return a run over two rows of which 8 cells each are read."""
    made = RoundBench(tmp_path / "survey", text_of(PROBES) + VERIFICATION)
    with made.session:
        made.begin()
        made.go(0, 8)
        yield made


def test_one_probe_after_the_other_is_led_over_the_block(bench: RoundBench) -> None:
    """Each by its name, with a check of its own; the part is left and returned to once."""
    assert bench.say("check") == (
        "paused for a calibration check: probe gauge, 1 of 2: step 12 mm, 1 of 2: lift probe gauge, and "
        "put it on the step of 12 mm"
    )
    assert bench.session.pipeline.pauses.because == "calibration check of probe gauge, step 12 mm"
    bench.hold("second", 12.0)
    assert bench.say("check step").startswith("refused: ")  # the other one is on the block
    bench.step("gauge", 12.02)
    said = bench.step("gauge", 5.0)
    assert said.startswith(
        "step 5 mm read as 5.00 mm, +0.000 mm; check 1 of probe gauge passed: +0.020 mm at most, within "
        "0.100 mm; probe second, 2 of 2: step 12 mm, 1 of 2: "
    )
    assert bench.results() == [("gauge", "passed"), ("second", "on the block")]
    shown = bench.shown()
    assert (shown.probe, shown.step, shown.number) == ("second", 12.0, 1)
    assert "probes: gauge passed · second on the block" in check_lines(shown, keys=True)
    bench.step("second", 11.97)
    said = bench.step("second", 5.0)
    assert said.endswith(
        "check 2 of probe second passed: -0.030 mm at most, within 0.100 mm; set the probe down on the "
        "part, and give its place: it continues from there"
    )
    begun = [detail for kind, detail in bench.marks() if kind is MarkKind.CHECK_BEGUN]
    assert [(one["probe"], one["probe_name"]) for one in begun] == [(0, "gauge"), (1, "second")]
    ends = [detail for kind, detail in bench.marks() if kind is MarkKind.CHECK_ENDED]
    assert ends == [{"off_part": True}, {}]
    assert bench.session.pipeline.lost_axes == ("scan", "index")
    bench.shown()
    bench.session.enter(Tick(bench.time))
    texts = [one.detail for one in bench.session.pipeline.alarms.alarms]
    assert [text.partition(";")[0] for text in texts] == [
        f"{axis} position lost at {at} mm: the probe was carried to the block, its counter is where it was"
        for axis, at in (("scan", 7.5), ("index", "2.0"))
    ]
    assert not bench.session.pipeline.pauses.active


def test_a_failed_probe_is_named_and_its_cells_only_are_suspect(bench: RoundBench) -> None:
    """The round goes on with the next one; the run stays paused at its end, and a rebuild agrees."""
    bench.say("check")
    bench.step("gauge", 12.0)
    bench.step("gauge", 5.0)
    for wall in (12.3, 5.3):
        bench.step("second", wall)
        said = bench.say("check step")
    assert (
        "check 2 of probe second FAILED: +0.300 mm, beyond 0.100 mm. 8 cells of this probe" in said
    )
    assert said.endswith("The run stays paused until somebody resumes it")
    assert bench.states() == (0, 8)
    pauses = bench.session.pipeline.pauses
    assert (pauses.active, pauses.because) == (True, "calibration check 2 FAILED")
    assert bench.say("check", probe="Second").startswith(
        "paused for a calibration check: probe second: step 12 mm"
    )
    bench.step("second", 12.0)
    assert "check 3 of probe second passed" in bench.step("second", 5.0)
    assert not pauses.active
    bench.session.flush(sync=False)
    live = record_of(bench.session.pipeline)
    again = record_of(replay(bench.folder))
    assert again.checks == live.checks
    assert [one.probe for one in live.checks] == ["gauge", "second", "second"]
    assert again.progress.probes == live.progress.probes
    assert [one.suspect for one in live.progress.probes] == [0, 8]


def test_a_dead_probe_is_left_out_and_due_later(bench: RoundBench) -> None:
    """With who left it out and why; it has passed no check by that."""
    bench.say("check")
    bench.step("gauge", 12.0)
    bench.step("gauge", 5.0)
    said = bench.say("check skip", text="no echo since noon")
    assert said == (
        "probe second is left out: it is not checked; set the probe down on the part, and give its "
        "place: it continues from there"
    )
    given_up = [detail for kind, detail in bench.marks() if kind is MarkKind.CHECK_GIVEN_UP]
    assert given_up == [{"by": "Kim", "because": "no echo since noon", "skipped": True}]
    checks = bench.session.pipeline.suspect_cells.checks
    assert (list(checks.last_passes), list(checks.skipped)) == ([0], [1])
    assert not bench.session.pipeline.pauses.active
    bench.say("check", probe="second")
    bench.step("second", 12.0)
    bench.step("second", 5.0)
    assert (list(checks.last_passes), list(checks.skipped)) == ([0, 1], [])


def test_a_probe_that_was_checked_is_checked_again_before_the_next_one(bench: RoundBench) -> None:
    """Reading again before the first step of the next probe: the later verdict counts."""
    bench.say("check")
    assert bench.say("check redo") == "refused: no step has been read yet"
    for wall in (12.3, 5.3):
        bench.step("gauge", wall)
        bench.say("check step")
    assert bench.states() == (8, 0)
    assert bench.results() == [("gauge", "failed"), ("second", "on the block")]
    said = bench.say("check redo")
    assert said.startswith("read it again: probe gauge, 1 of 2: step 12 mm, 1 of 2")
    assert bench.results() == [("gauge", "on the block"), ("second", "to check")]
    bench.step("gauge", 12.0)
    bench.step("gauge", 5.0)
    bench.step("second", 12.0)
    said = bench.step("second", 5.0)
    assert said.endswith("it continues from there")  # none of the round has failed
    numbers = [(one.number, one.probe_name, one.passed) for one in checks_of(bench)]
    assert numbers == [(1, "gauge", False), (2, "gauge", True), (3, "second", True)]


def checks_of(bench: RoundBench) -> list[Any]:
    """Return the checks."""
    return bench.session.pipeline.suspect_cells.checks.checks


def test_given_up_after_a_failure_the_run_stays_paused(bench: RoundBench) -> None:
    """What failed has failed, whether the round was ended or not."""
    bench.say("check")
    for wall in (12.3, 5.3):
        bench.step("gauge", wall)
        bench.say("check step")
    assert "The run stays paused" in bench.say("check give up")
    assert bench.session.pipeline.pauses.because == "calibration check 1 FAILED"
    assert not bench.work.active


def test_an_unknown_probe_and_a_lone_one_are_refused(bench: RoundBench, tmp_path: Path) -> None:
    """With the names that there are."""
    assert bench.say("check", probe="third") == (
        "refused: there is no probe 'third': the station has gauge, second"
    )
    lone = Bench(tmp_path / "lone", station_text() + VERIFICATION)
    with lone.session:
        lone.begin()
        lone.say("check")
        assert lone.say("check skip") == (
            "refused: there is one probe only: 'check give up' ends its check"
        )
        assert lone.shown().probes == ()
        assert "s leaves" not in " ".join(check_lines(lone.shown(), keys=True))


def test_what_is_overdue_is_named_by_probe(bench: RoundBench) -> None:
    """And what was checked when is in the progress."""
    bench.say("check", probe="gauge")
    bench.step("gauge", 12.0)
    bench.step("gauge", 5.0)
    first = moment(checks_of(bench)[0].time)
    bench.time += 3 * MINUTE
    bench.session.enter(Tick(bench.time))
    bench.say("check", probe="second")
    bench.step("second", 12.0)
    bench.step("second", 5.0)
    bench.time += 8 * MINUTE
    bench.session.enter(Tick(bench.time))
    shown = bench.shown()
    assert shown.overdue_probes == ("gauge",)
    assert shown.text.startswith("calibration check of probe gauge overdue by 1 min: ")
    probes = bench.session.pipeline.progress().probes
    assert [one.check_overdue for one in probes] == [True, False]
    assert probes[0].checked == first
    bench.time += 4 * MINUTE
    bench.session.enter(Tick(bench.time))
    assert bench.shown().text.startswith(
        "calibration check of probes gauge, second overdue by 5 min"
    )


def test_a_killed_round_leaves_the_checks_that_ended(bench: RoundBench) -> None:
    """The next run has no check in progress, and a carriage that was off the part."""
    bench.say("check")
    bench.step("gauge", 12.0)
    bench.step("gauge", 5.0)
    bench.step("second", 12.0)
    bench.session.flush(sync=False)
    pipeline = replay(SurveyFolder(bench.folder.path))
    checks = pipeline.suspect_cells.checks
    assert ([one.number for one in checks.checks], checks.in_progress) == ([1], True)
    assert checks.off_part
