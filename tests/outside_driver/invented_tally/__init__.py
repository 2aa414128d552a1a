"""A counter that sends its steps as tally marks: `||-|.` is two on, one back, one on."""

from collections import Counter
from collections.abc import Mapping
from typing import Any, ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from swathe_drivers.chunkwise import ChunkwiseDecoder
from swathe_drivers.records import (
    ABSENT_SEQUENCE,
    ABSENT_TIME,
    MAX_EXCERPT,
    MAX_FAULTS,
    Batch,
    Fault,
    FaultReason,
    WaveformFormat,
    no_positions,
    position_dtype,
)

_STEPS: Final = {ord("|"): 1, ord("-"): -1}
_END: Final = ord(".")


class TallySettings(BaseModel):
    """Settings of a tally counter."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    axis: str = "scan"
    longest: int = Field(default=64, ge=1, le=4096)
    """The most marks of a group."""


class TallyDecoder(ChunkwiseDecoder):
    """Decodes groups of tally marks; see `swathe_drivers.abc.Decoder`."""

    gives_readings: Final = False
    gives_positions: Final = True
    combined: Final = False
    has_clock: Final = False
    clock_wrap_ns: Final[int | None] = None
    sequence_wrap: Final[int | None] = None
    numbered: Final = False
    pulse_period_ns: Final[float | None] = None
    held_after: Final[Mapping[str, int]] = {}
    gives: Final[frozenset[str]] = frozenset()
    waveform: Final[WaveformFormat | None] = None
    length_axes: Final[frozenset[str]] = frozenset()

    def __init__(self, settings: TallySettings, *, ns_per_byte: int) -> None:
        self.axes: Final = (settings.axis,)
        self.count_periods: Final[Mapping[str, int | None]] = {settings.axis: None}
        self._longest = settings.longest
        self._ns_per_byte = ns_per_byte
        self._count = 0
        self._group = bytearray()
        self._offset = 0  # of the group's first byte
        self._last = -(2**63)

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode the next bytes; raises nothing."""
        rows: list[tuple[int, int, int, int]] = []  # time, offset, size, count
        faults: list[Fault] = []
        sizes = Counter[str]()
        for at, value in enumerate(data):
            self._group.append(value)
            if value == _END:
                behind = len(data) - 1 - at
                began = time_ns - (behind + len(self._group)) * self._ns_per_byte
                self._end(began, rows, faults, sizes)
            elif value not in _STEPS or len(self._group) > self._longest:
                self._fault(FaultReason.FRAME, "no tally mark, or too many", faults, sizes)
        positions = np.empty(len(rows), position_dtype(1))
        if rows:
            times, offsets, lengths, counts = np.array(rows, np.int64).T
            positions["time"], positions["offset"] = times, offsets
            positions["size"] = lengths
            positions["counts"][:, 0] = counts
            positions["device_time"], positions["sequence"] = ABSENT_TIME, ABSENT_SEQUENCE
            positions["mark"] = False
        return self._batch(positions, faults, sizes)

    def reset(self, offset: int) -> Batch:
        """Drop the group that has only begun; the stream goes on at byte `offset`."""
        faults: list[Fault] = []
        sizes = Counter[str]()
        if self._group:
            self._fault(FaultReason.PARTIAL, "the port was lost within a group", faults, sizes)
        self._offset = offset
        return self._batch(no_positions(1), faults, sizes)

    def _end(
        self,
        began: int,
        rows: list[tuple[int, int, int, int]],
        faults: list[Fault],
        sizes: Counter[str],
    ) -> None:
        """Take a group that is complete."""
        if len(self._group) == 1:
            self._fault(FaultReason.LENGTH, "a group without marks", faults, sizes)
            return
        self._count += sum(_STEPS[mark] for mark in self._group[:-1])
        self._last = max(self._last, began)
        rows.append((self._last, self._offset, len(self._group), self._count))
        sizes["record"] += len(self._group)
        self._next()

    def _fault(
        self, reason: FaultReason, detail: str, faults: list[Fault], sizes: Counter[str]
    ) -> None:
        excerpt = bytes(self._group[:MAX_EXCERPT])
        faults.append(Fault(self._offset, len(self._group), reason, excerpt, detail))
        sizes["fault"] += len(self._group)
        self._next()

    def _next(self) -> None:
        self._offset += len(self._group)
        self._group.clear()

    def _batch(self, positions: Any, faults: list[Fault], sizes: Counter[str]) -> Batch:
        return Batch(
            positions=positions,
            faults=tuple(faults[-MAX_FAULTS:]),
            n_faults=Counter(fault.reason for fault in faults),
            record_bytes=sizes["record"],
            fault_bytes=sizes["fault"],
        )


class TallyDriver:
    """Driver for tally counters."""

    Settings: ClassVar[type[BaseModel]] = TallySettings

    def __init__(self, settings: TallySettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> TallyDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` on the line."""
        return TallyDecoder(self._settings, ns_per_byte=ns_per_byte)
