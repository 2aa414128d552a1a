"""The daemon in simulated time with faults and kills; the long run is `python tests/fuzz/faults.py`."""

from __future__ import annotations

import pytest

from fuzz.faults import run_failures, run_plan, run_seeds, steps_of_a_run
from support.simulated.broker import BrokerFault
from support.simulated.faulty_run import FIRST_STEP, FaultyRun, Plan, plan_of
from support.simulated.strip import PortFault, Strip
from swathe.journal import JournalWriter
from swathe.live.command_gate import CommandGate
from swathe.live.commands import Commands
from swathe.live.given_replies import GivenReplies
from swathe.live.pace import Pace
from swathe.live.session import Session
from swathe.messages import ReplyMessage
from swathe.pipeline.placing.request_log import RequestLog

_SHARE = 85
_PARTS = 10
_STEP = 8


def test_some_surveys_with_faults() -> None:
    """With every test run; more of them are in the slow tests."""
    tally = run_seeds(range(1, 7))
    assert tally.problems == []
    assert len(tally.faults) >= 6


@pytest.mark.slow
@pytest.mark.parametrize("part", range(_PARTS))
def test_surveys_with_faults(part: int) -> None:
    """850 surveys, each from one seed; with the kills and failures below some 2,000 runs of the daemon."""
    first = 1 + part * _SHARE
    tally = run_seeds(range(first, first + _SHARE))
    assert tally.problems == []
    assert tally.runs > 100


@pytest.mark.slow
@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("part", range(0, _STEP, 4))
def test_kill_at_every_fourth_step(part: int, cut: bool) -> None:
    """And again while the next run recovers from it; `tests/fuzz/faults.py --every-step` takes each."""
    found = []
    for step in range(FIRST_STEP + part, steps_of_a_run() + 1, _STEP):
        plan = Plan(step, kills=[(step, cut), (1 + step % 30, cut)])
        found += [f"{problem} (step {step})" for problem in run_plan(plan).problems]
    assert found == []


@pytest.mark.slow
@pytest.mark.parametrize("resumed", [False, True])
def test_every_24th_step_may_fail(resumed: bool) -> None:
    """Once and from then on; `tests/fuzz/faults.py --every-failure` takes each step."""
    steps = range(FIRST_STEP + 12 * resumed, steps_of_a_run() + 1, 24)
    assert run_failures(steps, resumed=resumed).problems == []


@pytest.mark.parametrize("read", range(2, 19, 4))
def test_file_that_cannot_be_read_ends_a_run_with_its_name(read: int) -> None:
    """A survey that is resumed after a kill; once it can be read again, nothing is missing."""
    run = run_plan(Plan(1, kills=[(70, False)], read_fault=(read, 1_000_000)))
    assert run.problems == []
    assert all("Input/output error" in text for text in run.refused)


@pytest.mark.parametrize("read", [2, 9])
def test_read_that_breaks_off_ends_a_run_with_the_name_of_the_file(read: int) -> None:
    """In the middle of a journal; so it does in a replay. Once it can be read nothing is missing."""
    run = run_plan(Plan(1, kills=[(70, False)], middle_fault=(read, 1_000_000)))
    assert run.problems == []
    assert len(run.refused) >= 2
    assert all("Input/output error" in text and "journal" in text for text in run.refused)


_LATE = [PortFault(kind, "gauge", 60, 500) for kind in ("bytes delayed", "bytes dropped")]


def test_polled_gauge_whose_answers_are_late_or_damaged() -> None:
    """No answer is taken for that to another request, and none that is late for one in time."""
    run = run_plan(Plan(3, _LATE, polled=True))
    assert run.problems == []
    assert run.strip.asked >= 15


def test_late_answer_that_is_taken_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if its request had never been given up."""
    monkeypatch.setattr(RequestLog, "give_up", lambda *_: None)
    assert any("is placed at" in text for text in run_plan(Plan(3, _LATE, polled=True)).problems)


def test_seed_repeats_a_run_step_by_step() -> None:
    """Two runs of one seed make the same changes of files in the same simulated moments."""
    first, again = (run_plan(Plan(3, kills=[(40, True)])) for _ in range(2))
    assert first.steps == again.steps
    assert first.machine.clock.now == again.machine.clock.now
    assert first.strip.truth == again.strip.truth


def test_run_ends_at_its_simulated_time() -> None:
    """The strip is covered after 0.4 s, however long the machine takes."""
    run = run_plan(Plan(1))
    assert run.problems == []
    assert 0.4e9 <= run.machine.clock.now - 10_000_000_000 < 0.56e9


def test_gap_closes_at_its_instant_however_the_journal_is_cut() -> None:
    """A whole second was evaluated again with what became known after it."""
    unplugged = PortFault("unplugged", "gauge", 226, 420)
    assert run_plan(Plan(4163, [unplugged], slow=0.05, kills=[(77, True)])).problems == []


def test_command_after_the_clock_was_set_back_is_obeyed() -> None:
    """It has the time of the clock as it is now."""
    plan = Plan(31, clock_step=(100, -86_400.0), broker=("5", []))
    assert run_plan(plan).problems == []


# What each invariant is for is found.


def test_stop_that_must_not_be_obeyed_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A retained one, or one for another session."""
    monkeypatch.setattr(CommandGate, "why_not", lambda *_: "")
    plan = Plan(1, broker=("5", [BrokerFault("broker hostile", 80, 500)]))
    assert any("ended by itself: stop" in text for text in run_plan(plan).problems)


def test_end_that_the_broker_does_not_have_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The run says that all is published, the broker is away."""

    async def claim(*_: object) -> str:
        return ""

    monkeypatch.setattr("swathe.live.linking.end_link", claim)
    plan = Plan(1, broker=("both", [BrokerFault("broker away", 300, 900)]))
    assert any("is said to be published" in text for text in run_plan(plan).problems)


def test_note_that_is_not_executed_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """And one that is executed twice, or that is refused and executed."""
    plan = Plan(1, broker=("3.1.1", []))
    monkeypatch.setattr(CommandGate, "why_not", lambda *_: "no")
    assert any("in time was not executed" in text for text in run_plan(plan).problems)
    note = Commands.note
    monkeypatch.setattr(CommandGate, "why_not", lambda *_: "")
    monkeypatch.setattr(Commands, "note", lambda *what: note(*what) and note(*what))
    assert any("and executed 2 times" in text for text in run_plan(plan).problems)
    monkeypatch.setattr(Commands, "note", lambda *what: f"refused: {note(*what)}")
    assert any("was executed, the reply is" in text for text in run_plan(plan).problems)
    monkeypatch.setattr(Commands, "note", lambda *_: "noted")
    assert any("that is not in the journal" in text for text in run_plan(plan).problems)


def test_note_that_is_lost_after_its_reply_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reply does not wait for the disk, and then the power is cut."""
    plan = Plan(3, kills=[(66, True)], broker=("5", []))
    assert run_plan(plan).problems == []

    async def at_once(_: GivenReplies, reply: ReplyMessage) -> ReplyMessage:
        return reply

    monkeypatch.setattr(GivenReplies, "saved", at_once)
    assert any("['noted'] was the reply" in text for text in run_plan(plan).problems)


@pytest.mark.parametrize("seed", [363, 1234, 1896])
def test_note_that_nobody_could_take_need_not_be_executed(seed: int) -> None:
    """The station had not subscribed yet, or the run was ending; its disk had hung or been full before."""
    assert run_plan(plan_of(seed)).problems == []


def test_journal_that_is_not_synced_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some cut of the power then takes what is older than 200 ms."""
    monkeypatch.setattr(Pace, "sync", lambda _: False)
    problems = [run_plan(Plan(seed, kills=[(45, True)])).problems for seed in range(3)]
    assert any("power cut: bytes of" in text for found in problems for text in found)


def test_journal_that_is_flushed_late_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A kill at the next write then loses what is older than 50 ms."""
    monkeypatch.setattr("swathe.live.pace._FLUSH_NS", 300_000_000)
    problems = [run_plan(Plan(1, kills=[(step, False)])).problems for step in range(38, 44)]
    assert any("older than 50 ms are lost" in text for found in problems for text in found)


def test_misplaced_cells_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """An encoder 3 mm off."""
    counted = Strip.counted
    monkeypatch.setattr(Strip, "counted", lambda strip, ms: counted(strip, ms) + 30)
    problems = run_plan(Plan(1)).problems
    assert any("which was read at" in text for text in problems)
    assert any("is placed at" in text for text in problems)


def test_readings_on_the_line_over_missing_samples_are_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The probe turned at 400 ms; no cell need show it."""
    monkeypatch.setattr(
        "swathe.pipeline.placing.missing_samples.MissingSamples._may_have_turned",
        lambda *_: False,
    )
    plan = Plan(6272, [PortFault("bytes dropped", "encoder", 374, 507)])
    assert any("is placed at" in text for text in run_plan(plan).problems)


@pytest.mark.parametrize("fault", [None, ("disk full", 60, 65), ("sync fails", 60, 65)])
def test_run_that_does_not_end_is_found(
    monkeypatch: pytest.MonkeyPatch, fault: tuple[str, int, int] | None
) -> None:
    """It hangs in simulated time, and no longer than a moment in real time; the disk has room again."""
    monkeypatch.setattr("support.simulated.faulty_run._LIMIT_SECONDS", 3.0)
    monkeypatch.setattr("swathe.live.service.Daemon.stop", lambda *_: None)
    monkeypatch.setattr("swathe.live.service.AutoDelay.may_end", lambda *_, **__: False)
    assert any("hangs" in text for text in run_plan(Plan(1, disk_fault=fault)).problems)


def test_run_that_waits_for_a_disk_is_no_finding_while_it_reports_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A disk that stays full may keep the end of a run, not in silence."""
    monkeypatch.setattr("support.simulated.faulty_run._LIMIT_SECONDS", 5.0)
    plan = Plan(1, disk_fault=("disk full", 80, 1_000_000))
    run = run_plan(plan)
    assert run.problems == []
    assert any("abandoned" in text and "make room" in text for text in run.refused)
    monkeypatch.setattr(Session, "disk_trouble", "")
    assert any("hangs" in text for text in run_plan(plan).problems)


def test_error_of_the_harness_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the seed and the command that repeats it; the seeds after it are run."""

    def fail(_: object) -> None:
        raise FileNotFoundError("survey.json")

    monkeypatch.setattr(FaultyRun, "_examine", fail)
    tally = run_seeds([1, 2])
    assert tally.surveys == 2
    assert "FileNotFoundError: survey.json" in tally.problems[0]
    assert "faults.py --seed 1" in tally.problems[0]


def test_unforeseen_error_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is no error with a text."""

    def fail(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(JournalWriter, "flush", fail)
    assert any("ZeroDivisionError" in text for text in run_plan(Plan(1)).problems)
