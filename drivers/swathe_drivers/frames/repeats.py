"""Several samples in one frame: a group of fields that is repeated up to the checksum.

Each sample becomes a record of its own: the fields before the groups are those of every sample, and
its time is the frame's clock and so many intervals. Where the group has a `probe` and no clock, each is
a reading of another input instead, and they have the frame's time, number and offset.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from swathe_drivers.columns import Counts, PositionValue
from swathe_drivers.frames.checker import rows_of
from swathe_drivers.frames.fields import (
    AnyField,
    DeviceTimeField,
    IntervalField,
    ProbeField,
    RunningNumberField,
    StatusField,
    Waveform,
    size_of,
)
from swathe_drivers.frames.framer import Frames
from swathe_drivers.frames.packed import bytes_of_type
from swathe_drivers.record_values import Bad, Faulty
from swathe_drivers.records import FaultReason
from swathe_drivers.settings import SettingProblem, SettingsTable
from swathe_drivers.units import DurationText, nanoseconds


class Repeat(SettingsTable):
    """The group of fields of one sample; the frame's length shows how many there are."""

    fields: tuple[AnyField, ...] = Field(min_length=1, max_length=32)
    """From behind the last of the frame's own fields on."""
    interval: DurationText | None = None
    """Time between two samples, where no field `interval` has it."""
    clock_of: Literal["first", "last"] = "first"
    """The sample that the frame's `device_time` is of."""


def present_in(own: tuple[AnyField, ...]) -> ProbeField | None:
    """Return the field before the groups whose bits show which inputs have one; None: there is none."""
    found = (field for field in own if isinstance(field, ProbeField) and field.present)
    return next(found, None)


def _is_of_inputs(own: tuple[AnyField, ...], repeat: Repeat) -> bool:
    """Whether the groups are readings of several inputs at one time."""
    if any(isinstance(field, DeviceTimeField) for field in repeat.fields):
        return False
    in_group = any(isinstance(field, ProbeField) for field in repeat.fields)
    return in_group or present_in(own) is not None


def repeat_problems(own: tuple[AnyField, ...], repeat: Repeat | None) -> list[SettingProblem]:
    """Return what is wrong with a repeated group, behind a frame's `own` fields."""
    found: list[SettingProblem] = []
    for index, field in enumerate(own):
        if isinstance(field, StatusField) and field.per_sample:
            if repeat is None:
                requirement = "must be left out without 'repeat'"
                found.append((("fields", index, "per_sample"), requirement, True))
            elif field.mask is None:
                requirement = "must have 'mask' and 'valid_when', those of the first sample"
                found.append((("fields", index, "per_sample"), requirement, True))
        if isinstance(field, IntervalField) and repeat is None:
            found.append((("fields", index, "is"), "must be 'skip' without 'repeat'", "interval"))
        if repeat is not None and (size_of(field) is None or isinstance(field, Waveform)):
            requirement = "must be no A-scan and no 'rest', as samples are repeated behind it"
            found.append((("fields", index), requirement, field.kind))
        if (
            repeat is not None
            and not _is_of_inputs(own, repeat)
            and isinstance(field, RunningNumberField)
        ):
            requirement = "must be 'skip': it numbers frames, and each sample is a record"
            found.append((("fields", index, "is"), requirement, "sequence"))
    present = [
        index for index, one in enumerate(own) if isinstance(one, ProbeField) and one.present
    ]
    if repeat is None:
        requirement = "must be left out without 'repeat'"
        return found + [(("fields", index, "present"), requirement, True) for index in present]
    for index, field in enumerate(repeat.fields):
        if isinstance(field, ProbeField) and field.present:
            requirement = "must be before the group"
            found.append((("repeat", "fields", index, "present"), requirement, True))
        if size_of(field) is None or isinstance(field, Waveform | IntervalField):
            requirement = "must be no A-scan, no 'interval' and no 'rest' in a group"
            found.append((("repeat", "fields", index), requirement, field.kind))
        if isinstance(field, StatusField) and field.per_sample:
            requirement = "must be left out in the group itself: each sample has its own there"
            found.append((("repeat", "fields", index, "per_sample"), requirement, True))
    if _is_of_inputs(own, repeat):
        return found + _input_problems(own, repeat)
    clocks = [
        any(isinstance(one, DeviceTimeField) for one in fields) for fields in (own, repeat.fields)
    ]
    sent = any(isinstance(one, IntervalField) for one in own)
    if not any(clocks):
        requirement = (
            "must have a 'device_time' in its fields or in those of the frame: the arrival of a"
            " frame shows no sample's time"
        )
        found.append((("repeat",), requirement, None))
    elif clocks[0] and sent == (repeat.interval is not None):
        requirement = "must be given, or a field 'interval' before the group, and not both"
        found.append((("repeat", "interval"), requirement, repeat.interval))
    elif clocks[1] and (sent or repeat.interval is not None):
        requirement = "must be left out, as each sample has its own 'device_time'"
        found.append((("repeat", "interval"), requirement, repeat.interval))
    if repeat.interval is not None and nanoseconds(repeat.interval) <= 0:
        found.append((("repeat", "interval"), "must be > 0", repeat.interval))
    return found


def _input_problems(own: tuple[AnyField, ...], repeat: Repeat) -> list[SettingProblem]:
    """Return what is wrong with a group that is a reading of one of several inputs."""
    found: list[SettingProblem] = []
    for name in ("interval", "clock_of"):
        if name in repeat.model_fields_set:
            requirement = (
                "must be left out, as each group is of another input, at the time of the frame"
            )
            found.append((("repeat", name), requirement, getattr(repeat, name)))
    for index, field in enumerate(own):
        if isinstance(field, IntervalField):
            requirement = (
                "must be 'skip', as each group is of another input, at the time of the frame"
            )
            found.append((("fields", index, "is"), requirement, "interval"))
    for index, field in enumerate(repeat.fields):
        if isinstance(field, Counts | PositionValue):
            requirement = (
                "must be before the group: a frame has one position, and each group a reading"
            )
            found.append((("repeat", "fields", index, "is"), requirement, field.kind))
    return found


def group_problems(repeat: Repeat, length: int, fewest: int) -> list[SettingProblem]:
    """Return what is wrong with frames of one length, of which one sample takes the `fewest` bytes."""
    size = sum(size_of(field) or 0 for field in repeat.fields)
    rest = length - fewest + size
    if size and rest >= size and rest % size == 0:
        return []
    requirement = f"must leave whole samples of {size} bytes, and leaves {rest} bytes"
    return [(("framing", "length"), requirement, length)]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The samples of many frames.

    Attributes:
        rows: number of the frame of each sample, rising, shape (n,).
        places: number of each sample in its frame, from 0, shape (n,).
        counts: samples in the frame of each, shape (n,).
        content: the bytes of the frame's own fields and of the sample's, shape (n, width).
    """

    rows: NDArray[np.int64]
    places: NDArray[np.int64]
    counts: NDArray[np.int64]
    content: NDArray[np.uint8]


class Repeater:
    """Takes the samples out of frames.

    Attributes:
        of_inputs: whether those of a frame are readings of several inputs at one time.
    """

    def __init__(
        self, repeat: Repeat, own: tuple[AnyField, ...], *, head: int, wrap_ns: int | None
    ) -> None:
        """Take the group, the fields before it, the bytes before it, and the clock's roll-over."""
        self._head: Final = head
        self._size: Final = sum(size_of(field) or 0 for field in repeat.fields)
        self._interval = None if repeat.interval is None else round(nanoseconds(repeat.interval))
        self._has_clock = any(isinstance(field, DeviceTimeField) for field in own)
        self._is_last = repeat.clock_of == "last"
        self.of_inputs: Final = _is_of_inputs(own, repeat)
        self._present = present_in(own)
        self._wrap_ns = wrap_ns
        masks = [
            8 * bytes_of_type(field.type) + 1 - field.mask.bit_length()
            for field in own
            if isinstance(field, StatusField) and field.per_sample and field.mask is not None
        ]
        self._most = min(masks, default=None)

    def samples(self, frames: Frames, rows: NDArray[np.int64], tail: int, bad: Bad) -> Samples:
        """Return the samples of the frames `rows`; notes in `bad` those of a length of no group."""
        contents = frames.contents
        rest = contents.lengths[rows] - tail - self._head
        counts, odd = np.divmod(rest, self._size)
        wrong = (odd != 0) | (counts < 1)
        for row, size in zip(rows[wrong].tolist(), rest[wrong].tolist(), strict=True):
            detail = f"{size} bytes of samples are not whole samples of {self._size} bytes"
            bad[row] = (FaultReason.LENGTH, detail)
        if self._most is not None:
            many = ~wrong & (counts > self._most)
            for row, count in zip(rows[many].tolist(), counts[many].tolist(), strict=True):
                detail = (
                    f"{count} samples are more than the {self._most} that the status has bits for"
                )
                bad[row] = (FaultReason.LENGTH, detail)
            wrong |= many
        rows, counts = rows[~wrong], counts[~wrong]
        owners = np.repeat(rows, counts)
        each = np.repeat(counts, counts)
        places = np.arange(owners.size) - np.repeat(np.cumsum(counts) - counts, counts)
        starts = contents.starts[owners]
        head = rows_of(contents.block, starts, self._head)
        group = rows_of(contents.block, starts + self._head + places * self._size, self._size)
        return Samples(owners, places, each, np.concatenate((head, group), axis=1))

    def spread(self, samples: Samples, columns: dict[str, NDArray[Any]], faulty: Faulty) -> None:
        """Give each sample a time of its own, from the clock of its frame; or note what is there twice."""
        if self._present is not None:
            columns["probe"] = self._inputs(samples, columns["probe"].astype(np.int64), faulty)
        elif self.of_inputs:
            probes = columns["probe"]
            order = np.lexsort((probes, samples.rows))
            rows, sorted_probes = samples.rows[order], probes[order]
            twice = np.flatnonzero((np.diff(rows) == 0) & (sorted_probes[1:] == sorted_probes[:-1]))
            faulty.add_all(
                order[twice + 1].tolist(),
                FaultReason.OUT_OF_RANGE,
                lambda row: f"input {int(probes[row])} is in the frame twice",
            )
        if self.of_inputs:
            return
        interval = columns.pop("interval", self._interval)
        if not self._has_clock or interval is None:
            return
        steps = samples.places - (samples.counts - 1 if self._is_last else 0)
        times = columns["device_time"] + steps * interval
        columns["device_time"] = times if self._wrap_ns is None else times % self._wrap_ns

    def _inputs(
        self, samples: Samples, bits: NDArray[np.int64], faulty: Faulty
    ) -> NDArray[np.int64]:
        """The input of each group, by the bits of its frame that are set, shape (n,)."""
        assert self._present is not None  # noqa: S101  for the type checker
        inputs = np.array(self._present.inputs, np.int64)
        is_set = (bits[:, np.newaxis] >> np.arange(inputs.size)) & 1
        number = np.cumsum(is_set, axis=1)
        wrong = number[:, -1] != samples.counts
        faulty.add_all(
            np.flatnonzero(wrong).tolist(),
            FaultReason.LENGTH,
            lambda row: f"{samples.counts[row]} groups where {number[row, -1]} inputs are present",
        )
        which = number == samples.places[:, np.newaxis] + 1
        # The first of these is the bit that is set.
        return np.asarray(inputs[which.argmax(axis=1)], np.int64)
