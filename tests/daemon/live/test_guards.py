"""The crawler's guards at their limits: what is compared, from when on, and what is not."""

from __future__ import annotations

import pytest

from daemon.live.test_crawl import GUARD, MS, Pauses, Seen, guards, look
from swathe.live.crawl.evidence import GuardFault
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.machine_report import MachineReport
from swathe.motion import Event, State

QUIET = GUARD.replace('heartbeat = "1 s"\n', "")


def step(
    made: Guards,
    seen: Seen,
    ms: int,
    motor: tuple[float, float],
    *,
    asked: int | None = None,
    since: int = 0,
    state: State = State.MOVING,
) -> GuardFault | None:
    """Look at a time, with a sample of both encoders just now and the motors at a position."""
    seen.last_sample_times = (ms * MS, ms * MS)
    report = MachineReport(ms * MS, motor, asked=(ms if asked is None else asked) * MS)
    return made.look(
        ms * MS, state, since=since * MS, driven=frozenset({"scan", "index"}), report=report
    )


def apart_at(axis: int, off: float) -> GuardFault | None:
    """Return the verdict on a motor that is off its encoder at rest by so much, mm."""
    seen = Seen(position=(100.0, 40.0))
    made = guards(seen, QUIET)
    motor = (100.0 + off, 40.0) if axis == 0 else (100.0, 40.0 + off)
    events = [step(made, seen, ms, motor) for ms in range(0, 300, 10)]
    return next((event for event in events if event is not None), None)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_disagreement_of_either_axis_to_either_side(axis: int, sign: float) -> None:
    """Each axis is compared with its own motor, whichever of the two is ahead."""
    assert apart_at(axis, 3.9 * sign) is None
    verdict = apart_at(axis, 5.0 * sign)
    at, motor = ((100.0, 40.0)[axis], (100.0, 40.0)[axis] + 5.0 * sign)
    name = ("scan", "index")[axis]
    text = f"{name}: motor at {motor:.1f} mm, encoder at {at:.1f} mm, 5.0 mm apart"
    assert verdict is not None
    assert verdict[:2] == (Event.DISAGREEMENT, text)
    assert (verdict.evidence.measured, verdict.evidence.limit) == (5.0, 4.0)


@pytest.mark.parametrize("state", [State.ARMED, State.HOMING])
def test_disagreement_is_judged_while_moving_only(state: State) -> None:
    """While it homes or is armed, motor and encoder need not agree yet."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen, QUIET)
    for ms in range(0, 300, 10):
        assert step(made, seen, ms, (200.0, 0.0), state=state) is None


def test_disagreement_needs_a_reference() -> None:
    """Before motor and encoder were brought into agreement they may differ by any amount."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen, QUIET)
    made.referenced = False
    for ms in range(0, 300, 10):
        assert step(made, seen, ms, (200.0, 0.0)) is None


def test_reports_up_to_a_lag_after_the_state_began_are_not_judged() -> None:
    """What was asked before `since` and the lag may be from before the move; then all is judged."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen, QUIET)
    faults = [ms for ms in range(0, 600, 10) if step(made, seen, ms, (200.0, 0.0), since=300)]
    # Asked at 350 ms, a lag of 50 ms after 300, and judged a lag later.
    assert faults[0] == 400


def test_report_that_is_not_judged_does_not_hide_the_next_one() -> None:
    """Several reports may wait for later samples; each of them is looked at."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen, QUIET)
    assert step(made, seen, 100, (100.0, 0.0)) is None
    seen.position = (100.0, 0.0)
    for ms, motor in ((110, 100.0), (120, 200.0)):
        seen.last_sample_times = (100 * MS, 100 * MS)  # no new sample yet
        report = MachineReport(ms * MS, (motor, 0.0), asked=ms * MS)
        fault = made.look(ms * MS, State.MOVING, since=115 * MS, driven=frozenset(), report=report)
        assert fault is None
    # At 300 ms all three are due: the first two were asked before 165 ms, as was the third.
    assert step(made, seen, 300, (100.0, 0.0), since=115) is None
    made = guards(seen, QUIET)
    assert step(made, seen, 100, (100.0, 0.0)) is None
    for ms, motor in ((110, 100.0), (170, 200.0)):
        seen.last_sample_times = (100 * MS, 100 * MS)
        report = MachineReport(ms * MS, (motor, 0.0), asked=ms * MS)
        fault = made.look(ms * MS, State.MOVING, since=115 * MS, driven=frozenset(), report=report)
        assert fault is None
    verdict = step(made, seen, 300, (100.0, 0.0), since=115)
    assert verdict is not None
    assert verdict[0] is Event.DISAGREEMENT


def test_one_report_is_judged_once() -> None:
    """The same report seen again, or an older one, adds nothing."""
    seen = Seen(position=(100.0, 0.0))
    made = guards(seen, QUIET)
    wrong = MachineReport(10 * MS, (200.0, 0.0), asked=10 * MS)
    faults = 0
    for ms in range(10, 300, 10):
        seen.last_sample_times = (ms * MS, ms * MS)
        fault = made.look(ms * MS, State.MOVING, since=-(10**9), driven=frozenset(), report=wrong)
        faults += fault is not None
    assert faults == 1


def test_encoder_between_question_and_answer_with_a_lag_on_either_side() -> None:
    """A motor position agrees with any encoder position from 50 ms before to 50 ms after."""
    for motor, asked, answered, is_fault in (
        (10.0 - 5.0 - 3.9, 100, 100, False),  # at 50 ms the encoder was at 5 mm
        (10.0 - 5.0 - 5.1, 100, 100, True),  # the sample before 50 ms, at 40 ms, is at 4 mm
        (10.0 + 5.0 + 3.9, 100, 100, False),  # at 150 ms it is at 15 mm
        (10.0 + 5.0 + 4.1, 100, 100, True),
        (30.0 + 5.0 + 3.9, 100, 300, False),  # the answer came at 300 ms
        (30.0 + 5.0 + 4.1, 100, 300, True),
    ):
        seen = Seen()
        made = guards(seen, QUIET)
        made.look(0, State.MOVING, since=-(10**9), driven=frozenset(), report=None)
        verdict = None
        for ms in range(10, 500, 10):
            seen.position = (ms / 10, 0.0)
            seen.last_sample_times = (ms * MS, ms * MS)
            report = MachineReport(answered * MS, (motor, 0.0), asked=asked * MS)
            verdict = verdict or made.look(
                ms * MS,
                State.MOVING,
                since=-(10**9),
                driven=frozenset(),
                report=report if ms >= answered else None,
            )
        assert (verdict is not None) is is_fault, (motor, asked, answered)


def test_forget_drops_samples_and_reports_from_before() -> None:
    """After a reset of positions nothing from before it is compared with what comes after."""
    seen = Seen(position=(0.0, 0.0))
    made = guards(seen, QUIET)
    for ms in range(0, 100, 10):
        assert step(made, seen, ms, (0.0, 0.0)) is None
    made.forget()
    seen.position = (500.0, 0.0)
    for ms in range(100, 400, 10):
        assert step(made, seen, ms, (500.0, 0.0)) is None
    # Without it the encoder's old samples, or the old reports, would disagree with the new ones.
    seen.position = (0.0, 0.0)
    events = [step(made, seen, ms, (0.0, 0.0)) for ms in range(400, 700, 10)]
    assert all(event is None for event in events)
    made = guards(seen, QUIET)
    assert step(made, seen, 0, (0.0, 0.0)) is None
    assert step(made, seen, 10, (900.0, 0.0)) is None  # not judged yet
    made.forget()
    for ms in range(20, 300, 10):
        assert step(made, seen, ms, (0.0, 0.0)) is None


@pytest.mark.parametrize(("quiet", "is_fault"), [(200, False), (201, True)])
def test_silence_of_the_encoder_at_its_limit(quiet: int, is_fault: bool) -> None:
    """200 ms without a sample are borne while an axis is driven, 1 ms more is not."""
    seen = Seen()
    made = guards(seen, QUIET)
    assert look(made, seen, 0) is None
    found = look(made, seen, quiet, last_sample_times=(0, 0))
    assert (found is not None) is is_fault
    if found is not None:
        assert found[0] is Event.ENCODER_SILENT


def test_silence_of_the_second_axis_is_its_own() -> None:
    """The index encoder is silent while the index axis is driven; the scan axis is not blamed."""
    seen = Seen()
    made = guards(seen, QUIET)
    assert look(made, seen, 0) is None
    for ms in (100, 190):
        assert look(made, seen, ms, driven=frozenset({"index"}), last_sample_times=(0, 0)) is None
    event, text, _ = look(made, seen, 210, driven=frozenset({"index"}), last_sample_times=(0, 0))
    assert event is Event.ENCODER_SILENT
    assert text.endswith("while the machine moved along index")


def test_encoder_without_a_sample_yet_is_silent_since_the_first_look() -> None:
    """An encoder that never sent anything is silent from the first look on."""
    seen = Seen(position=(None, None))
    made = guards(seen, QUIET)
    assert look(made, seen, 1000, last_sample_times=(None, None)) is None
    assert look(made, seen, 1200, last_sample_times=(None, None)) is None
    event, text, _ = look(made, seen, 1201, last_sample_times=(None, None))
    assert (event, text[:43]) == (
        Event.ENCODER_SILENT,
        "nothing came from the encoder for 201 ms wh",
    )


def test_drift_is_motor_less_encoder() -> None:
    """Positive where the motor is ahead; zero on an axis whose encoder has no position."""
    seen = Seen(position=(100.0, 40.0))
    made = guards(seen, QUIET)
    report = MachineReport(0, (101.5, 37.0), asked=0)
    assert made.drift(report) == (1.5, -3.0)
    seen.position = (None, 40.0)
    assert made.drift(report) == (0.0, -3.0)
    seen.position = (100.0, None)
    assert made.drift(report) == (1.5, 0.0)


@pytest.mark.parametrize(("ms", "overdue"), [(1000, None), (1001, "no sign of life for 1.0 s")])
def test_heartbeat_at_its_limit(ms: int, overdue: str | None) -> None:
    """A second without a sign of life is borne, more is not."""
    made = guards(Seen())
    assert made.heartbeat_overdue(ms * MS) == overdue
    made.alive = 500 * MS
    assert made.heartbeat_overdue(1500 * MS) is None
    assert guards(Seen(), QUIET).heartbeat_overdue(10**15) is None


def test_port_that_is_not_open_names_its_device() -> None:
    """A lost gauge is no lost encoder; a device that never opened has no reason to give."""
    seen = Seen()
    made = guards(seen, QUIET)
    assert made.all_open
    assert made.encoders == {"encoder"}
    seen.tallies["gauge"].state, seen.tallies["gauge"].detail = "lost", "unplugged"
    assert look(made, seen, 0)[:2] == (Event.PORT_LOST, "gauge: unplugged")
    assert not made.all_open
    assert not made.encoder_lost
    seen.tallies["gauge"].state = "open"
    del seen.tallies["encoder"]
    assert look(made, seen, 10)[:2] == (Event.PORT_LOST, "encoder: not open")
    assert made.encoder_lost


def test_pause_of_somebody_else_is_a_stop_that_was_asked_for() -> None:
    """Anyone's pause but the crawler's own stops it, unless the pause is over."""
    seen = Seen()
    made = guards(seen, QUIET)
    seen.pauses = Pauses(active=True, by="crew-1")
    assert look(made, seen, 0)[:2] == (Event.STOP_ASKED, "paused by crew-1")
    seen.pauses = Pauses(active=False, by="crew-1")
    assert look(made, seen, 10) is None
