"""When a machine may move: states, events, and one table of what each event does in each state.

Pure: no clock, no input or output. A runner asks `CrawlStates.take` before it sends anything that
moves, and sends a stop whenever `take` answers `Action.STOP`. Nothing outside this module decides
whether motion is allowed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from swathe.motion.errors import MotionError

__all__ = ["MOVING_STATES", "TABLE", "Action", "CrawlStates", "Event", "State", "Step"]


class State(StrEnum):
    """What may happen now."""

    DISARMED = "disarmed"
    """Nothing moves; a person has not confirmed yet, or has to again."""
    ARMED = "armed"
    """At rest between two moves."""
    HOMING = "homing"
    MOVING = "moving"
    STOPPING = "stopping"
    """A stop that was asked for is sent; not known to be at rest."""
    FAILING = "failing"
    """A stop because of a fault is sent; not known to be at rest."""
    STOPPED = "stopped"
    """At rest after a stop that was asked for."""
    FAULTED = "faulted"
    """At rest, as far as anybody can tell, after a fault."""
    ENDED = "ended"
    """The run is over; nothing moves any more."""


class Event(StrEnum):
    """What happened, or is asked for."""

    ARMED = "armed"
    """Station file and a person allow it, and the machine acknowledged its arming."""
    HOME = "homing asked"
    HOMED = "homed"
    MOVE = "move asked"
    REACHED = "position reached"
    STOP_ASKED = "stop asked"
    HEARTBEAT_LOST = "heartbeat lost"
    PORT_LOST = "port lost"
    ENCODER_SILENT = "encoder silent"
    DISAGREEMENT = "motor and encoder disagree"
    LIMIT_REFUSED = "limit refused"
    UNANSWERED = "command without success"
    ALARM = "machine halted by itself"
    HOST_SLOW = "host too slow"
    """The daemon itself was held up: nobody watched, or nothing can be blamed on a device."""
    DISK = "disk takes nothing"
    """What is measured would not be kept."""
    AT_REST = "at rest"
    CLEARED = "cleared"
    """A person, or the recoveries that the station file grants, lets it go on."""
    END = "end of the run"


class Action(StrEnum):
    """What the runner has to do, at once."""

    NOTHING = "nothing"
    GO = "go"
    """The asked motion may be sent now."""
    STOP = "stop"
    """A stop is to be sent out of turn, before anything else."""
    REFUSE = "refuse"
    """What was asked must not be done now."""


@dataclass(frozen=True, slots=True)
class Step:
    """What an event does: the state after it, and what has to be done."""

    state: State
    action: Action = Action.NOTHING


MOVING_STATES = frozenset({State.HOMING, State.MOVING})
"""The only states in which motion is asked for."""

_FAULTS = (
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
_ASKED = (Event.HOME, Event.MOVE)


def _row(state: State, *, fault: Step, stop: Step, **steps: Step) -> dict[Event, Step]:
    """Return a whole row: requests are refused and reports change nothing, unless given.

    Args:
        state: the row's.
        fault: what each fault does.
        stop: what a stop does that is asked for.
        steps: what other events do, by their names.
    """
    row = {event: Step(state) for event in Event}
    row |= {event: Step(state, Action.REFUSE) for event in _ASKED}
    row |= dict.fromkeys(_FAULTS, fault)
    row[Event.STOP_ASKED] = stop
    row[Event.END] = Step(State.ENDED, Action.STOP)
    return row | {Event[name]: step for name, step in steps.items()}


_FAIL = Step(State.FAILING, Action.STOP)
_STOP = Step(State.STOPPING, Action.STOP)

TABLE: Mapping[State, Mapping[Event, Step]] = {
    State.DISARMED: _row(
        State.DISARMED,
        # Nothing was moved by us, but a machine that disobeys is sent a stop.
        fault=Step(State.FAULTED, Action.STOP),
        stop=Step(State.STOPPED, Action.STOP),
        ARMED=Step(State.ARMED),
        # Neither asks for motion, which is off: an encoder may well be silent, a hand away.
        ENCODER_SILENT=Step(State.DISARMED),
        HEARTBEAT_LOST=Step(State.DISARMED),
    ),
    State.ARMED: _row(
        State.ARMED,
        fault=_FAIL,
        stop=_STOP,
        HOME=Step(State.HOMING, Action.GO),
        MOVE=Step(State.MOVING, Action.GO),
    ),
    State.HOMING: _row(State.HOMING, fault=_FAIL, stop=_STOP, HOMED=Step(State.ARMED)),
    State.MOVING: _row(State.MOVING, fault=_FAIL, stop=_STOP, REACHED=Step(State.ARMED)),
    State.STOPPING: _row(State.STOPPING, fault=_FAIL, stop=_STOP, AT_REST=Step(State.STOPPED)),
    State.FAILING: _row(
        State.FAILING,
        # One stop is under way, the port repeats it; asked for again, it is sent again.
        fault=Step(State.FAILING),
        stop=_FAIL,
        AT_REST=Step(State.FAULTED),
        HOST_SLOW=_FAIL,
    ),
    State.STOPPED: _row(
        State.STOPPED,
        fault=Step(State.FAULTED, Action.STOP),
        stop=Step(State.STOPPED, Action.STOP),
        ENCODER_SILENT=Step(State.STOPPED),
        HEARTBEAT_LOST=Step(State.STOPPED),
        CLEARED=Step(State.DISARMED),
    ),
    State.FAULTED: _row(
        State.FAULTED,
        fault=Step(State.FAULTED),
        stop=Step(State.FAULTED, Action.STOP),
        CLEARED=Step(State.DISARMED),
    ),
    State.ENDED: _row(
        State.ENDED,
        fault=Step(State.ENDED),
        stop=Step(State.ENDED, Action.STOP),
        END=Step(State.ENDED),
    ),
}
"""For each state what each event does; a requested motion is allowed only where the table allows it."""


class CrawlStates:
    """The state of one machine, changed by events only.

    Args:
        on_change: called with event, its text and the new state, when the state changes.

    Attributes:
        state: now.
        cause: the first fault, or else stop, since the last clearing; None while there was none.
        text: of that event.
    """

    def __init__(self, on_change: Callable[[Event, str, State], None] | None = None) -> None:
        self.state = State.DISARMED
        self.cause: Event | None = None
        self.text = ""
        self._on_change = on_change

    @property
    def may_move(self) -> bool:
        """Whether motion may be on."""
        return self.state in MOVING_STATES

    def take(self, event: Event, text: str = "") -> Action:
        """Change the state by an event and return what has to be done.

        Args:
            event: what happened.
            text: what is known of it, in words.

        Raises:
            MotionError: a motion is asked for in a state that forbids it; nothing may be sent.
        """
        step = TABLE[self.state][event]
        if step.action is Action.REFUSE:
            requirement = f"nothing may move while it is {self.state} ({event})"
            raise MotionError(requirement, remedy="arm it again once the cause is cleared")
        if event is Event.CLEARED and step.state is State.DISARMED:
            self.cause, self.text = None, ""
        elif (
            # The first fault is the cause, whatever follows from it or is asked for later.
            self.cause in (None, Event.STOP_ASKED)
            and (event is Event.STOP_ASKED or event in _FAULTS)
            and step != Step(self.state)
        ):
            self.cause, self.text = event, text
        changed = step.state is not self.state
        self.state = step.state
        if changed and self._on_change is not None:
            self._on_change(event, text, step.state)
        return step.action
