"""What is sent to a machine, and the account of what it has not acknowledged yet."""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum


class CommandKind(StrEnum):
    """What a command is for."""

    MOVE = "move"
    HOME = "home"
    ARM = "arm"
    DISARM = "disarm"
    QUERY = "query"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Bytes that are sent in one go.

    Attributes:
        data: the bytes.
        awaits: the machine acknowledges it.
        timeout_s: how long to wait for that.
        tag: number that the frame itself carries, None without one.
    """

    data: bytes
    awaits: bool = True
    timeout_s: float = 2.0
    tag: int | None = None


@dataclass(frozen=True, slots=True)
class Command:
    """One wish; each frame may go when those before it are acknowledged.

    Attributes:
        kind: what it is for.
        frames: in the order to be sent; may be empty when the machine needs none.
        text: in words, for the journal and messages.
    """

    kind: CommandKind
    frames: tuple[Frame, ...]
    text: str


class Pending:
    """The frames that wait for their acknowledgement, in the order sent.

    An acknowledgement without a tag belongs to the oldest of them. A frame that was given up
    is remembered, so that its answer, if it comes while nothing else waits, is no fault.
    """

    def __init__(self) -> None:
        self._waiting: deque[tuple[int, Frame]] = deque()
        self._late: deque[tuple[int, Frame]] = deque(maxlen=64)
        self._next = 0

    @property
    def frames(self) -> tuple[tuple[int, Frame], ...]:
        """Number and frame of all that wait, the oldest first."""
        return tuple(self._waiting)

    def __len__(self) -> int:
        return len(self._waiting)

    def sent(self, frame: Frame) -> int:
        """Count a frame as sent and give its number: 0, 1, 2 … since the start."""
        number = self._next
        self._next += 1
        if frame.awaits:
            self._waiting.append((number, frame))
        return number

    def answered(self, tag: int | None = None) -> int | None:
        """Take the frame that an answer belongs to from the account; None if there is none."""
        for queue in (self._waiting, self._late):
            for entry in queue:
                if tag is None or entry[1].tag == tag:
                    queue.remove(entry)
                    return entry[0]
        return None

    def answered_number(self, number: int) -> None:
        """Take a frame from the account by its number."""
        for queue in (self._waiting, self._late):
            for entry in queue:
                if entry[0] == number:
                    queue.remove(entry)
                    return

    def forget(self) -> None:
        """Give up waiting for all of them."""
        self._late.extend(self._waiting)
        self._waiting.clear()
