"""What a journal holds: the only thing that ever enters the pipeline.

An entry has a time (ns of the host's monotonic clock) and is one of

- ``Chunk``: bytes as they arrived at a port;
- ``Sent``: bytes that were sent to a port, or given up as a request without an answer;
- ``PortChange``: a port opened, was lost, or closed;
- ``Tick``: time went by; time-outs act on ticks, never on a clock;
- ``Mark``: something was said: a run opened, a line started, a note, a run ended.

The ``opened`` mark is a run's first entry. It holds the station file, the versions in force and
the wall-clock time of its own monotonic time, so that the journal needs nothing beside itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Chunk", "Entry", "Mark", "MarkKind", "PortChange", "Sent", "Tick"]


class MarkKind(StrEnum):
    """What a mark says; its ``detail`` keys are given in brackets."""

    OPENED = "opened"
    """A run began [survey, station, versions, utc_ns; purpose: scan unless it is a check;
    calibration: the record that the station file names; descriptions: the protocol files]."""

    LINE = "line"
    """The probe is on another line of a stepped index axis [line, by]."""

    NOTE = "note"
    """The operator wrote something down [text, by]."""

    CHECK_BEGUN = "check begun"
    """The probe is on a block of known steps: readings check the calibration, and belong to no
    cell, until the check ends [phase, by, tolerance, block]."""

    CHECK_STEP = "check step"
    """A step of the block was read from one host time to another [thickness, begin, end]."""

    CHECK_ENDED = "check ended"
    """The check is done and passes or fails."""

    CHECK_OVERRIDDEN = "check overridden"
    """A failed check does not count [check, by, because]."""

    PAUSED = "paused"
    """From now on readings belong to no cell and the way is not followed [by, because, from_start:
    so from the run's beginning, may be missing]."""

    RESUMED = "resumed"
    """Readings count again, and the way begins where the probe is [by]."""

    ZONE_EXCLUDED = "zone excluded"
    """A rectangle is not asked for any more; borders in mm [name, scan, index: null for all of the
    axis, by]."""

    GAP_REQUESTED = "gap requested"
    """A gap is to be scanned again next [gap, by]."""

    ALARM_ACKNOWLEDGED = "alarm acknowledged"
    """Somebody has seen an alarm [alarm, by]."""

    MOTION = "motion"
    """What moves the probe changed its state [state, event, text]; no cell depends on it."""

    REFERENCED = "referenced"
    """The probe is at rest at a place that is known otherwise, as after homing: from here on the
    encoder's counts tell this place; mm, an axis may be missing [scan, index, by]."""

    ENDED = "ended"
    """A run ended in good order [status, reason]."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes of the port `port`; `time` is when their last byte was read."""

    time: int
    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Sent:
    """Bytes sent to the port `port`.

    Where `unanswered`, they are not sent again at `time`, but were a request that got no answer in
    time until then.
    """

    time: int
    port: str
    data: bytes
    unanswered: bool = False


@dataclass(frozen=True, slots=True)
class PortChange:
    """The port `port` is now in `state`; `detail` says why in words."""

    time: int
    port: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class Tick:
    """The time is `time`."""

    time: int


@dataclass(frozen=True, slots=True)
class Mark:
    """Something was said at `time`."""

    time: int
    kind: MarkKind
    detail: dict[str, Any]


Entry = Chunk | Sent | PortChange | Tick | Mark
