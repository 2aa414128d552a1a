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
