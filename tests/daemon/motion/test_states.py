"""Tests of the state machine that says when motion is allowed."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from swathe.motion import Action, CrawlStates, Event, MotionError, State
from swathe.motion.states import MOVING_STATES, TABLE

FAULTS = (
    Event.HEARTBEAT_LOST,
    Event.PORT_LOST,
    Event.ENCODER_SILENT,
    Event.DISAGREEMENT,
    Event.LIMIT_REFUSED,
    Event.UNANSWERED,
    Event.ALARM,
    Event.HOST_SLOW,
    Event.DISK,
)

WAYS: dict[State, list[Event]] = {
    State.DISARMED: [],
    State.ARMED: [Event.ARMED],
    State.HOMING: [Event.ARMED, Event.HOME],
    State.MOVING: [Event.ARMED, Event.MOVE],
    State.STOPPING: [Event.ARMED, Event.MOVE, Event.STOP_ASKED],
    State.FAILING: [Event.ARMED, Event.MOVE, Event.ENCODER_SILENT],
    State.STOPPED: [Event.ARMED, Event.STOP_ASKED, Event.AT_REST],
    State.FAULTED: [Event.ARMED, Event.MOVE, Event.DISAGREEMENT, Event.AT_REST],
    State.ENDED: [Event.END],
}
"""For each state events that lead to it."""


def machine_in(state: State) -> CrawlStates:
    """Return a machine that came to a state by events alone."""
    machine = CrawlStates()
    for event in WAYS[state]:
        machine.take(event)
    assert machine.state is state
    return machine


class AnyEvents(RuleBasedStateMachine):
    """A machine and a motor that moves when it is let, until it is stopped or there."""

    seen: set[tuple[State, Event]]

    def __init__(self) -> None:
        super().__init__()
        self.machine = CrawlStates()
        self.on = False
        self.stop_owed = False

    @rule(event=st.sampled_from(Event))
    def take(self, event: Event) -> None:
        """Take any event, and do as told."""
        self.seen.add((self.machine.state, event))
        before = self.machine.state
        self.stop_owed = False
        try:
            action = self.machine.take(event)
        except MotionError:
            assert event in (Event.HOME, Event.MOVE)
            assert self.machine.state is before
            return
        if action is Action.GO:
            self.on = True
        elif action is Action.STOP or event in (Event.HOMED, Event.REACHED):
            self.on = False
        # A motion that was on and is not allowed any more was stopped by this very event.
        assert self.machine.may_move or not self.on

    @rule(state=st.sampled_from(State), event=st.sampled_from(Event))
    def take_in_a_state(self, state: State, event: Event) -> None:
        """Begin anew, come to a state by events, and take any event there."""
        self.machine, self.on = CrawlStates(), False
        for step in WAYS[state]:
            self.take(step)
        self.take(event)

    @invariant()
    def motion_only_where_allowed(self) -> None:
        """Motion is never on in a state that forbids it."""
        assert not self.on or self.machine.state in MOVING_STATES


@pytest.mark.slow
def test_random_events_reach_every_cell_and_never_move_where_forbidden() -> None:
    """Random events visit every cell of the table; motion is on only where the state allows it."""
    seen: set[tuple[State, Event]] = set()

    class Recorded(AnyEvents):
        pass

    Recorded.seen = seen
    limits = settings(max_examples=400, stateful_step_count=40, derandomize=True)
    run_state_machine_as_test(Recorded, settings=limits)
    assert seen == {(state, event) for state in State for event in Event}


def test_table_has_every_cell() -> None:
    """Each event is answered in each state."""
    assert set(TABLE) == set(State)
    for state in State:
        assert set(TABLE[state]) == set(Event)


@pytest.mark.parametrize("state", State)
def test_motion_is_asked_only_when_armed(state: State) -> None:
    """A move or homing is let go from rest while armed, and refused with a mend otherwise."""
    for event in (Event.MOVE, Event.HOME):
        machine = machine_in(state)
        if state is State.ARMED:
            assert machine.take(event) is Action.GO
            assert machine.may_move
        else:
            with pytest.raises(MotionError, match=f"nothing may move while it is {state}"):
                machine.take(event)
            assert machine.state is state


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("event", [*FAULTS, Event.STOP_ASKED, Event.END])
def test_whatever_ends_motion_sends_a_stop(state: State, event: Event) -> None:
    """Where motion may be on every fault, stop and end sends a stop; afterwards nothing may move."""
    machine = machine_in(state)
    moving = machine.may_move
    action = machine.take(event)
    assert action is Action.STOP or not moving
    if event is Event.STOP_ASKED:
        assert action is Action.STOP  # out of turn, whatever the state
    assert not machine.may_move


def test_only_a_clearing_and_a_new_arming_lead_out_of_a_fault() -> None:
    """From a fault no single event leads back to motion."""
    for event in Event:
        machine = machine_in(State.FAULTED)
        if event not in (Event.MOVE, Event.HOME):
            machine.take(event)
        assert machine.state in (State.FAULTED, State.DISARMED, State.ENDED)
        assert machine.state is not State.DISARMED or event is Event.CLEARED


def test_cause_is_the_first_fault() -> None:
    """What follows from a fault does not hide it; a new arming forgets it."""
    machine = machine_in(State.MOVING)
    machine.take(Event.STOP_ASKED, "by the operator")
    machine.take(Event.PORT_LOST, "encoder: unplugged")
    machine.take(Event.UNANSWERED, "no acknowledgement")
    assert (machine.cause, machine.text) == (Event.PORT_LOST, "encoder: unplugged")
    machine.take(Event.AT_REST)
    assert machine.state is State.FAULTED
    machine.take(Event.CLEARED)
    machine.take(Event.ARMED)
    assert machine.cause is None


def test_changes_are_told_once_each() -> None:
    """Whoever listens is told each change of the state, and nothing else."""
    report: list[tuple[Event, str, State]] = []
    machine = CrawlStates(lambda *change: report.append(change))
    for event in (Event.REACHED, Event.ARMED, Event.ARMED, Event.MOVE, Event.REACHED):
        machine.take(event, "x")
    assert report == [
        (Event.ARMED, "x", State.ARMED),
        (Event.MOVE, "x", State.MOVING),
        (Event.REACHED, "x", State.ARMED),
    ]


STOPS: dict[Event, tuple[State, Action]] = dict.fromkeys(FAULTS, (State.FAILING, Action.STOP)) | {
    Event.STOP_ASKED: (State.STOPPING, Action.STOP)
}
"""What ends a motion that may be on."""

NORMAL_AT_REST: set[Event] = {Event.ENCODER_SILENT, Event.HEARTBEAT_LOST}
AT_REST: dict[Event, tuple[State, Action]] = dict.fromkeys(
    set(FAULTS) - NORMAL_AT_REST, (State.FAULTED, Action.STOP)
) | {Event.STOP_ASKED: (State.STOPPED, Action.STOP)}
"""What is taken in while no motion is on, where an encoder may be silent and a hand away."""

CHANGES: dict[State, dict[Event, tuple[State, Action]]] = {
    State.DISARMED: AT_REST | {Event.ARMED: (State.ARMED, Action.NOTHING)},
    State.ARMED: STOPS
    | {Event.HOME: (State.HOMING, Action.GO), Event.MOVE: (State.MOVING, Action.GO)},
    State.HOMING: STOPS | {Event.HOMED: (State.ARMED, Action.NOTHING)},
    State.MOVING: STOPS | {Event.REACHED: (State.ARMED, Action.NOTHING)},
    State.STOPPING: STOPS | {Event.AT_REST: (State.STOPPED, Action.NOTHING)},
    State.FAILING: {
        Event.STOP_ASKED: (State.FAILING, Action.STOP),
        Event.HOST_SLOW: (State.FAILING, Action.STOP),
        Event.AT_REST: (State.FAULTED, Action.NOTHING),
    },
    State.STOPPED: AT_REST | {Event.CLEARED: (State.DISARMED, Action.NOTHING)},
    State.FAULTED: {
        Event.STOP_ASKED: (State.FAULTED, Action.STOP),
        Event.CLEARED: (State.DISARMED, Action.NOTHING),
    },
    State.ENDED: {
        Event.STOP_ASKED: (State.ENDED, Action.STOP),
        Event.END: (State.ENDED, Action.NOTHING),
    },
}
"""For each state the events that change something; any other leaves it, and END ends it."""


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("event", Event)
def test_event_in_a_state_leads_where_it_is_written(state: State, event: Event) -> None:
    """Each cell of the table, cause and text included."""
    calls: list[tuple[Event, str, State]] = []
    machine = CrawlStates(lambda *change: calls.append(change))
    for step in WAYS[state]:
        machine.take(step, "before")
    calls.clear()
    cause = machine.cause
    asked = event in (Event.HOME, Event.MOVE)
    default = (State.ENDED, Action.STOP) if event is Event.END else (state, Action.NOTHING)
    after, action = CHANGES[state].get(event, default)
    if asked and action is not Action.GO:
        with pytest.raises(MotionError) as caught:
            machine.take(event, "now")
        assert f"nothing may move while it is {state} ({event})" in str(caught.value)
        assert caught.value.remedy == "arm it again once the cause is cleared"
    else:
        assert machine.take(event, "now") is action
    assert machine.state is after
    assert machine.may_move is (after in (State.HOMING, State.MOVING))
    assert calls == ([] if after is state else [(event, "now", after)])
    ending = event is Event.STOP_ASKED or event in FAULTS
    if cause in (None, Event.STOP_ASKED) and ending and event in CHANGES[state]:
        assert (machine.cause, machine.text) == (event, "now")
    elif after is State.DISARMED:
        assert (machine.cause, machine.text) == (None, "")
    else:
        assert (machine.cause, machine.text) == (cause, "before" if cause else "")


def test_cause_of_a_machine_that_was_never_moved() -> None:
    """A new machine is disarmed, for no cause; what changes nothing is none either."""
    machine = CrawlStates()
    assert (machine.state, machine.cause, machine.text) == (State.DISARMED, None, "")
    assert machine.take(Event.ENCODER_SILENT, "no line for 2 s") is Action.NOTHING
    assert (machine.cause, machine.text) == (None, "")
    assert machine.take(Event.PORT_LOST, "unplugged") is Action.STOP
    assert (machine.cause, machine.text) == (Event.PORT_LOST, "unplugged")
    machine.take(Event.STOP_ASKED, "by the operator")
    assert (machine.cause, machine.text) == (Event.PORT_LOST, "unplugged")
    machine.take(Event.CLEARED)
    assert (machine.cause, machine.text) == (None, "")


def test_cause_is_kept_by_a_clearing_that_comes_too_early() -> None:
    """While it may still move a clearing clears nothing, nor does the end of the run."""
    machine = machine_in(State.MOVING)
    machine.take(Event.STOP_ASKED)
    assert (machine.cause, machine.text) == (Event.STOP_ASKED, "")
    machine.take(Event.CLEARED, "too early")
    assert (machine.state, machine.cause) == (State.STOPPING, Event.STOP_ASKED)
    machine.take(Event.END, "over")
    assert (machine.state, machine.cause) == (State.ENDED, Event.STOP_ASKED)
