"""What a decoder gives: columns of readings and positions, and counted faults.

Times are int64 nanoseconds. `time` is the host's monotonic clock when the first byte of the
record began, as far as the bytes tell; `device_time` is the device's own clock exactly as it
was sent (not unwrapped, not related to the host's).
Lengths are in mm, times of flight in µs, amplitudes in percent of full screen height.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

ABSENT_TIME: Final = -(2**63)
"""`device_time` of a record whose device sends no time (the minimum of int64)."""

ABSENT_SEQUENCE: Final = -1
"""`sequence` of a record whose device sends no running number."""

MAX_FAULTS: Final = 64
"""The most faults that one batch describes, the newest ones; all of them are counted."""

MAX_EXCERPT: Final = 40
"""The most bytes of a faulty line that a fault quotes."""

READING: Final[np.dtype[np.void]] = np.dtype(
    [
        ("time", "<i8"),
        ("device_time", "<i8"),
        ("time_of_flight", "<f8"),
        ("thickness", "<f8"),
        ("amplitude", "<f4"),
        ("valid", "?"),
        ("probe", "u1"),
        ("sequence", "<i8"),
        ("offset", "<i8"),
        ("size", "<i4"),
        ("flags", "<u2"),
    ]
)
"""Columns of a reading.

`time_of_flight` (µs) and `thickness` (mm) are NaN when the device does not send them and
whenever `valid` is False, so that the number a device repeats while it has no echo can't be
taken for a measurement. `amplitude` (% FSH) is NaN when absent and otherwise as sent.
`probe` is the number of the device's input, as the device numbers it; 0 where it has only one. A record may
have a reading of each of several inputs: they follow one another with the same time, sequence and offset.
`offset` is the byte offset of the line or frame in its port's stream, `size` its bytes without a
line's terminator (0: not known, as its first byte is then all that is known of it). A device that sends an
A-scan and no gated value has a valid reading with NaN here: the echo is yet to be measured.
`flags` is 0 from every driver: the daemon sets bits there for what is doubtful about a reading.
"""


@cache
def position_dtype(n_axes: int) -> np.dtype[np.void]:
    """Columns of a position with `n_axes` axes.

    `counts` has shape (n_axes,): raw encoder counts as sent (roll-over not undone), or mm
    for an axis that the device already sends as a length. `mark` has shape (n_axes,): whether
    the encoder passed its index mark with this record; False when the device sends none.

    Raises:
        ValueError: `n_axes` is negative.
    """
    if n_axes < 0:
        message = f"'n_axes' must be >= 0 (got {n_axes!r})"
        raise ValueError(message)
    return np.dtype(
        [
            ("time", "<i8"),
            ("device_time", "<i8"),
            ("sequence", "<i8"),
            ("offset", "<i8"),
            ("size", "<i4"),
            ("counts", "<f8", (n_axes,)),
            ("mark", "?", (n_axes,)),
        ]
    )


class FaultReason(StrEnum):
    """Why bytes of a port did not become a record."""

    CHECKSUM = "checksum"
    """The checksum is missing or differs from that of the line or frame."""
    COLUMNS = "columns"
    """The line has another number of columns than the settings."""
    NUMBER = "number"
    """A column is not a number in decimal notation."""
    NOT_FINITE = "not_finite"
    """A number is infinite or not a number at all (`inf`, `nan`, `1e999`)."""
    OUT_OF_RANGE = "out_of_range"
    """A number is outside what its column may hold."""
    STATUS = "status"
    """A status column holds a text that the settings do not name."""
    TOO_LONG = "too_long"
    """No end of line or frame within the longest allowed length; what is behind it was dropped."""
    PARTIAL = "partial"
    """A line or frame had only begun when the port was lost, or when the next request was sent."""
    QUADRATURE = "quadrature"
    """Both lines of an encoder changed at once; a step is lost, the line itself is good."""
    UNKNOWN_LINE = "unknown_line"
    """The line is of another kind: its constant columns differ."""
    FRAME = "frame"
    """No frame begins here, or one that began has no end."""
    LENGTH = "length"
    """A frame's length is not one that the settings allow."""
    UNKNOWN_FRAME = "unknown_frame"
    """The frame is of another kind: its constant fields differ."""
    UNANSWERED = "unanswered"
    """A request that got no answer in time; counted by the port's schedule, not by a decoder."""
    LATE = "late"
    """An answer that came after its request was given up; it is no record."""
    FOREIGN = "foreign"
    """A record that answers no request: unasked, a second answer, or that to another request."""
    STOPPED_CLOCK = "stopped_clock"
    """A record that came while the device's clock stood still; the daemon drops it."""
    DRIVER = "driver"
    """The driver's own code failed with these bytes: it raised, or returned what it must not."""
    ILLEGAL_FUNCTION = "exception_1"
    """A Modbus device answered that it has no such function."""
    ILLEGAL_ADDRESS = "exception_2"
    """A Modbus device answered that it has no such registers."""
    ILLEGAL_VALUE = "exception_3"
    """A Modbus device answered that the request is not right."""
    DEVICE_FAILURE = "exception_4"
    """A Modbus device answered that it failed."""
    DEVICE_BUSY = "exception_6"
    """A Modbus device answered that it is busy."""
    NO_PATH = "exception_10"
    """A Modbus gateway answered that it has no way to the device."""
    NO_TARGET = "exception_11"
    """A Modbus gateway answered that the device does not answer it."""
    OTHER_EXCEPTION = "exception"
    """A Modbus device answered with an exception of another code."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Bytes of a port that did not become a record.

    Attributes:
        offset: offset of the first of them in the port's stream.
        length: number of bytes, without the terminator. For `too_long` it is the limit that was
            passed; the rest of that line is only in the batch's `fault_bytes`.
        reason: the kind of fault.
        excerpt: the first bytes, at most `MAX_EXCERPT`.
        detail: one sentence that names the column and the text found.
    """

    offset: int
    length: int
    reason: FaultReason
    excerpt: bytes
    detail: str

    def __str__(self) -> str:
        return (
            f"byte {self.offset}, {self.length} bytes: {self.reason}: {self.detail}"
            f" ({self.excerpt!r})"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformFormat:
    """What the samples of a device's A-scans mean; the same for all of them.

    The amplitude of a sample is `(value - zero) / full_scale` of full screen height.

    Attributes:
        samples: of one A-scan.
        interval_us: time between two samples, µs.
        start_us: time of the first sample after the transmitter pulse, µs.
        full_scale: counts above `zero` that are 100 % of full screen height.
        zero: the count of no signal; the middle of the range for offset binary.
        dtype: of the samples, an integer of 1, 2 or 4 bytes, little-endian.
    """

    samples: int
    interval_us: float
    start_us: float
    full_scale: int
    zero: int
    dtype: np.dtype[Any]


@dataclass(frozen=True, slots=True)
class ChannelFormat:
    """A further number that a device sends, such as its temperature; it places and measures nothing.

    Attributes:
        name: what its layer is called.
        unit: as the settings give it, for people and for attributes; `1` without one.
    """

    name: str
    unit: str


def begins_record(readings: NDArray[Any]) -> NDArray[np.bool_]:
    """Return whether each reading is the first one of its record, shape (n,).

    Those of one record, each of another input, follow one another with the same byte offset.
    """
    offsets = readings["offset"]
    begins = np.ones(offsets.shape, np.bool_)
    begins[1:] = offsets[1:] != offsets[:-1]
    return begins


def no_times() -> NDArray[np.int64]:
    """An array of no times."""
    return np.empty(0, np.int64)


def no_readings() -> NDArray[Any]:
    """An array of no readings."""
    return np.empty(0, READING)


def no_positions(n_axes: int = 0) -> NDArray[Any]:
    """An array of no positions."""
    return np.empty(0, position_dtype(n_axes))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Batch:
    """What one chunk of bytes gave.

    Every byte fed is in exactly one of `record_bytes`, `fault_bytes`, `ignored_bytes` (of this
    or an earlier or later batch) or still waits in the decoder for the end of its line or frame,
    or of the bytes without any.

    Attributes:
        readings: array of `READING`, perhaps empty.
        positions: array of `position_dtype(n)`, perhaps empty.
        waveforms: A-scans as sent, shape (n readings, samples), integers as the decoder's
            `waveform` describes; row i belongs to row i of `readings`. None if the device sends none.
        channels: further numbers of the device, shape (n readings, channels), in the order of the
            decoder's `channels` and in their units; row i belongs to row i of `readings`, NaN where
            none is known. None if the decoder has no channels.
        readings_known_at: for each row of `readings` the arrival, ns, of the chunk with which it
            became known: the chunk that `feed` would have returned it for, had each chunk been fed
            alone. It never falls, and is later than that of the record's own bytes if only later
            bytes, or a silence, decide that there is a record. Filled in by `feed_chunks`.
        positions_known_at: the same for each row of `positions`.
        readings_request: for each row of `readings` the number of the request that it answers, as
            `swathe_drivers.abc.NumberingDecoder` gives it; empty where answers carry none.
        positions_request: the same for each row of `positions`.
        combined: each record has a position and a reading, or one of each of several inputs. Row i of
            `positions` belongs to all readings of record i: rows i*k to i*k + k - 1 of `readings` where
            each has k. The readings of one record are those that follow one another with the same
            `offset` (`begins_record`).
        faults: the newest `MAX_FAULTS` faults, in the order of the stream.
        n_faults: how many faults of each reason, including those not in `faults`.
        n_ignored: lines or frames of another kind that the settings ignore.
        n_missing: records more that are missing by the running numbers of several kinds of records, at
            least; None where the `sequence` of the records themselves shows it, or nothing does.
        record_bytes: bytes of lines or frames that became records, with all that frames them.
        fault_bytes: bytes of faults, terminators included.
        ignored_bytes: bytes of empty lines and of ignored lines or frames, terminators included.
    """

    readings: NDArray[Any] = field(default_factory=no_readings)
    positions: NDArray[Any] = field(default_factory=no_positions)
    waveforms: NDArray[Any] | None = None
    channels: NDArray[np.float64] | None = None
    readings_known_at: NDArray[np.int64] = field(default_factory=no_times)
    positions_known_at: NDArray[np.int64] = field(default_factory=no_times)
    readings_request: NDArray[np.int64] = field(default_factory=no_times)
    positions_request: NDArray[np.int64] = field(default_factory=no_times)
    combined: bool = False
    faults: tuple[Fault, ...] = ()
    n_faults: Mapping[FaultReason, int] = field(default_factory=dict)
    n_ignored: int = 0
    n_missing: int | None = None
    record_bytes: int = 0
    fault_bytes: int = 0
    ignored_bytes: int = 0
