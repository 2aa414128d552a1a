"""What a journal holds: the only thing that ever enters the pipeline.

An entry has a time (ns of the host's monotonic clock) and is one of

- ``Chunk``: bytes as they arrived at a port;
- ``Sent``: bytes that were sent to a port, or given up as a request without an answer;
- ``PortChange``: a port opened, was lost, or closed;
- ``Tick``: nothing else need have happened; time passes with every entry, and never by a clock;
- ``Mark``: an event of the survey: a run opened, a line started, a note, a run ended;
- ``Lost``: never written; the reader gives it where the journal is damaged.

The ``opened`` mark is a run's first entry. It holds the station file, the versions in force and
the wall-clock time of its own monotonic time, so that the journal is complete by itself.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, NamedTuple

from swathe.journal.damage import Damage

__all__ = ["Chunk", "Entry", "Lost", "Mark", "MarkKind", "PortChange", "Sent", "Tick"]


class MarkKind(StrEnum):
    """Kind of a mark; the keys of its ``detail`` are given in brackets."""

    OPENED = "opened"
    """A run began [survey, station, versions, utc_ns; purpose: scan unless it is a check or a revision;
    calibration: the record that the station file names; descriptions: the protocol files]."""

    LINE = "line"
    """The probe is on another line of a stepped index axis [line, by]."""

    LINE_BLOCKED = "line blocked"
    """The line in force ends where the probe is [line: the next one, on which it is from now on, or
    null where that begins with the probe's return to the start; by]."""

    NOTE = "note"
    """A note by the operator [text, by]."""

    CHECK_BEGUN = "check begun"
    """The probe is on a block of known steps: readings check the calibration, and belong to no
    cell, until the check ends [phase, by, tolerance, block; off_part: whether a hand carries the
    probe from the part to the block meanwhile, not given in a run that only checks]."""

    CHECK_STEP = "check step"
    """A step of the block was read from one host time to another [thickness, begin, end; step: its
    number, from 1, by which a step that is read again replaces what was read before; optional]."""

    CHECK_ENDED = "check ended"
    """The check is complete and passes or fails."""

    CHECK_GIVEN_UP = "check given up"
    """The check in progress ends without a verdict, and does not count [by, because]."""

    CHECK_OVERRIDDEN = "check overridden"
    """The failure of a check is overridden [check, by, because]."""

    PAUSED = "paused"
    """From the mark on, readings belong to no cell and the path is not followed [by, because,
    from_start: from the beginning of the run, optional]."""

    RESUMED = "resumed"
    """Readings count again, and the path begins at the position of the probe [by]."""

    ZONE_EXCLUDED = "zone excluded"
    """A rectangle is excluded from the plan; borders in mm [name, scan, index: null for all of the
    axis, by]."""

    GAP_REQUESTED = "gap requested"
    """A gap is requested to be scanned again next [gap, by; scan, index: its borders then, mm, by
    which it is found where readings were placed again]."""

    ALARM_ACKNOWLEDGED = "alarm acknowledged"
    """An alarm was acknowledged [alarm, by; about, device, scan, index: by which it is found where
    readings were placed again]."""

    MOTION = "motion"
    """The crawler changed its state [state, event, text]; no cell depends on it."""

    RASTER_PLANNED = "raster planned"
    """The crawler is to scan stretches of lines, in this order: what it has yet to scan is no gap. It
    replaces the plan before it; without a stretch the raster is over [along: scan or index;
    stretches: of each the line's position on the other axis, and from where to where, mm]."""

    STRETCH_BEGUN = "stretch begun"
    """The crawler begins a stretch of its raster [number: of it, from 0]."""

    FIRST_MOVE = "first move"
    """The crawler's first move was compared with what it was commanded, or none was made; no cell
    depends on it [sound: whether it was made and nothing was wrong, text]."""

    REFERENCED = "referenced"
    """The probe is at rest at a known position, as after homing: later encoder counts are taken
    relative to it; mm, an axis is optional [scan, index, by]."""

    DELAY_ESTIMATED = "delay estimated"
    """What the survey shows of a gauge's delay so far, while that is not given; no cell depends on
    it [device, delay_ns, low_ns, high_ns: null where there is no limit, pairs, reason, needs]."""

    DELAY = "delay measured"
    """The survey has measured the delay of a device for which the station file says ``auto``: the
    newest such mark applies to all runs that say so, from their first entry on [device; delay_ns,
    low_ns, high_ns: less the delay of the scan axis's encoder; pairs]."""

    DISCARDED = "readings discarded"
    """Readings of a stretch count for no cell, as in a pause [revision: its number, from 1; the
    stretch, of which all conditions hold: begin, end: times of the readings, ns UTC, the end left
    out, null from the first reading on and until this mark; this_run: whether no earlier run is
    meant, whose clock may have been ahead; line: row of the grid, or null; scan: borders in mm, both
    included, or null; by, because]. Nothing is meant that was read after the mark."""

    MOVED = "readings moved"
    """Readings of a stretch are of another line of a stepped index axis [as of discarded readings;
    to_line]."""

    RESTORED = "readings restored"
    """Readings that were discarded or moved count again as they were taken [revision, by,
    because]."""

    CONFIRMED = "reading confirmed"
    """A person says that a doubtful thickness is real [place: its number, scan, index: its cell's
    centre, by which it is found where readings were placed again, thickness, by, text: why]."""

    REJECTED = "reading rejected"
    """A person says that a doubtful thickness is spurious [as of a confirmed reading]. It stays
    listed, and is confirmed by a second reading only, or by the opposite mark."""

    SPOT_READ = "spot read"
    """A spot was read with the probe put on: the readings from one byte offset of the gauge's stream
    to another are a coupling [spot: its name, first, last, by; received: bytes of the stream before
    the mark, by which the offsets are found where bytes are lost]."""

    SPOT_ACCEPTED = "spot accepted"
    """The readings of a jumpy spot count though they differ by more than allowed [spot, by,
    because]."""

    SPOT_CLOSED = "spot closed"
    """No reading of a spot is possible: it is excluded [spot, by, because]."""

    SPOT_REOPENED = "spot reopened"
    """A spot is to be read again: what was read there counts no more [spot, by, because]."""

    SENSITIVITY = "sensitivity checked"
    """A reference echo was measured [by; measured, reference: % of full screen height; tolerance,
    spread: dB; readings; block; step: mm or null; made: ns UTC, and id, of one that was made in the
    set-up view before the run]."""

    GATES_CHANGED = "gates changed"
    """Gates were changed in the set-up view, before the run, and written into the station file [by;
    changes: texts; made: ns UTC; id]."""

    INHERITED = "inherited"
    """What the run took over from the runs before, once these were replayed: it replaces marks of theirs
    that the journal has lost [axes: names of those whose counts alone do not give the position; line,
    paused: null, or by and because]."""

    HEALTH = "health"
    """What the daemon itself noticed of its surroundings began, has another text, or is over [about:
    kind of the alarm; of: device or place, or empty; holds; detail: the alarm's text]; no cell
    depends on it."""

    ENDED = "ended"
    """A run ended in good order [status, reason]."""


class Chunk(NamedTuple):
    """Bytes of the port `port`; `time` is when their last byte was read."""

    time: int
    port: str
    data: bytes


class Sent(NamedTuple):
    """Bytes sent to the port `port`.

    Where `unanswered`, nothing is sent at `time`: the bytes are those of a request whose answer was
    due by then and did not come.
    """

    time: int
    port: str
    data: bytes
    unanswered: bool = False


class PortChange(NamedTuple):
    """The port `port` is now in `state`; `detail` is the reason as text."""

    time: int
    port: str
    state: str
    detail: str


class Tick(NamedTuple):
    """The time is `time`."""

    time: int


class Mark(NamedTuple):
    """An event of the survey at `time`."""

    time: int
    kind: MarkKind
    detail: dict[str, Any]


class Lost(NamedTuple):
    """The journal is damaged here.

    Attributes:
        time: of the last entry before it; 0 where that is not known.
        damage: what is damaged.
        until: time of the next entry after lost bytes; None where there is none.
        bytes_lost: whether bytes of ports are missing here.
        marks_lost: whether marks or port changes may be missing here.
    """

    time: int
    damage: Damage
    until: int | None = None
    bytes_lost: bool = False
    marks_lost: bool = False


Entry = Chunk | Sent | PortChange | Tick | Mark | Lost
