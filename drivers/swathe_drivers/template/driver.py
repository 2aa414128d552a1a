r"""The driver of a device: lines such as `#007 A 12.41*7D\r\n`, one for each reading.

What is to be replaced by your device's own: the settings, `_fields`, and the abilities of the decoder.
Number 000 to 999, `A` for an echo or `V` for none (then the value means nothing), thickness in mm, and
behind `*` the exclusive or of all bytes before it, in two hexadecimal digits.
"""

import re
from collections import Counter
from collections.abc import Mapping
from functools import reduce
from operator import xor
from typing import Any, ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from swathe_drivers.chunkwise import ChunkwiseDecoder
from swathe_drivers.records import (
    ABSENT_TIME,
    MAX_EXCERPT,
    MAX_FAULTS,
    READING,
    Batch,
    Fault,
    FaultReason,
    WaveformFormat,
    no_readings,
)

END: Final = b"\r\n"
LINE: Final = re.compile(
    rb"#(?P<number>[0-9]{3}) (?P<state>[AV]) (?P<value>[0-9]{2}\.[0-9]{2})\*(?P<sum>[0-9A-F]{2})"
)

Row = dict[str, Any]
"""What a reading holds, by the names of its columns."""


class ExampleSettings(BaseModel):
    """What a description may set; an unknown key is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    longest: int = Field(default=64, ge=24, le=4096)
    """The most bytes of a line, without its end."""


class ExampleDecoder(ChunkwiseDecoder):
    """Decodes the bytes of one port; see `swathe_drivers.abc.Decoder` for each attribute."""

    axes: Final[tuple[str, ...]] = ()
    count_periods: Final[Mapping[str, int | None]] = {}
    length_axes: Final[frozenset[str]] = frozenset()
    gives_readings: Final = True
    gives_positions: Final = False
    combined: Final = False
    has_clock: Final = False
    clock_wrap_ns: Final[int | None] = None
    sequence_wrap: Final[int | None] = 1000
    numbered: Final = True
    pulse_period_ns: Final[float | None] = None
    held_after: Final[Mapping[str, int]] = {}
    gives: Final[frozenset[str]] = frozenset({"thickness"})
    waveform: Final[WaveformFormat | None] = None

    line = LINE

    def __init__(self, settings: ExampleSettings, *, ns_per_byte: int) -> None:
        self._longest = settings.longest
        self._ns_per_byte = ns_per_byte
        self._offset = 0  # in the port's stream, of the first byte that is kept
        self._kept = bytearray()  # a line that has only begun
        self._too_long = False  # it was reported already: the rest of it is dropped
        self._last = -(2**63)
        self._begin_batch()

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode the next bytes, which arrived by `time_ns`; raises nothing, whatever they are."""
        self._begin_batch()
        self._kept += data
        while (at := self._kept.find(END)) >= 0:
            line = bytes(self._kept[:at])
            # The last byte of the chunk arrived at `time_ns`, those before it earlier.
            began = time_ns - len(self._kept) * self._ns_per_byte
            if self._too_long or at > self._longest:
                self._drop(at + len(END))
                self._too_long = False
            else:
                self._take_line(line, began)
        # A carriage return at the very end may be half of the line's end.
        if self._too_long or len(self._kept) > self._longest + 1:
            self._drop(len(self._kept) - self._kept.endswith(END[:1]))
            self._too_long = True
        return self._batch()

    def reset(self, offset: int) -> Batch:
        """Drop the line that has only begun; the stream continues at byte `offset`."""
        self._begin_batch()
        if self._kept:
            if self._too_long:
                self._use(len(self._kept), "fault")
            else:
                self._fault(FaultReason.PARTIAL, len(self._kept), 0, "the port was lost in a line")
        self._too_long = False
        self._offset = offset
        return self._batch()

    def _take_line(self, line: bytes, began: int) -> None:
        """Take a line without its end."""
        if not line:
            self._use(len(END), "ignored")
        elif (found := self.line.fullmatch(line)) is None:
            self._fault(FaultReason.UNKNOWN_LINE, len(line), len(END), "no line of the manual")
        elif not self._checksum_holds(line, found["sum"]):
            self._fault(FaultReason.CHECKSUM, len(line), len(END), "the checksum differs")
        else:
            self._last = max(self._last, began)
            where = {"time": self._last, "offset": self._offset, "size": len(line)}
            self._rows.append(where | self._fields(found))
            self._use(len(line) + len(END), "record")

    def _checksum_holds(self, line: bytes, sent: bytes) -> bool:
        return reduce(xor, line.rpartition(b"*")[0]) == int(sent, 16)

    def _fields(self, found: re.Match[bytes]) -> Row:
        """Return number, whether there was an echo, and thickness in mm of a sound line."""
        valid = found["state"] == b"A"
        # Without an echo there is no value, whatever the device repeats.
        thickness = float(found["value"]) if valid else np.nan
        return {"sequence": int(found["number"]), "valid": valid, "thickness": thickness}

    def _begin_batch(self) -> None:
        self._rows: list[Row] = []
        self._faults: list[Fault] = []
        self._bytes = Counter[str]()

    def _batch(self) -> Batch:
        """Return what came since `_begin_batch`, in an array of its own."""
        readings = no_readings()
        if self._rows:
            readings = np.zeros(len(self._rows), READING)
            for name in self._rows[0]:
                readings[name] = [row[name] for row in self._rows]
            readings["device_time"] = ABSENT_TIME
            readings["time_of_flight"] = readings["amplitude"] = np.nan
        return Batch(
            readings=readings,
            faults=tuple(self._faults[-MAX_FAULTS:]),
            n_faults=Counter(fault.reason for fault in self._faults),
            record_bytes=self._bytes["record"],
            fault_bytes=self._bytes["fault"],
            ignored_bytes=self._bytes["ignored"],
        )

    def _drop(self, size: int) -> None:
        """Drop bytes of a line that is too long; it is reported with the first of them."""
        if not self._too_long:
            excerpt = bytes(self._kept[: min(MAX_EXCERPT, self._longest)])
            self._faults.append(
                Fault(self._offset, self._longest, FaultReason.TOO_LONG, excerpt, "no end of line")
            )
        self._use(size, "fault")

    def _fault(self, reason: FaultReason, length: int, end: int, detail: str) -> None:
        """Count the first `length` bytes, and `end` more, as a fault."""
        excerpt = bytes(self._kept[: min(length, MAX_EXCERPT)])
        self._faults.append(Fault(self._offset, length, reason, excerpt, detail))
        self._use(length + end, "fault")

    def _use(self, size: int, what: str) -> None:
        """Account for the first bytes that are kept: each byte is in one of the three kinds."""
        self._bytes[what] += size
        self._offset += size
        del self._kept[:size]


class ExampleDriver:
    """What the entry point names."""

    Settings: ClassVar[type[BaseModel]] = ExampleSettings

    def __init__(self, settings: ExampleSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> ExampleDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` on the line."""
        return ExampleDecoder(self._settings, ns_per_byte=ns_per_byte)
