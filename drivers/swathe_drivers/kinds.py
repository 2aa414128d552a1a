"""Several kinds of records in one stream: what they may be together, and their batches joined.

A device may send lines or frames of several kinds: readings in some, positions in others, a
temperature now and then. Each kind has a decoder of its own. What they give becomes one batch in the
order of the stream. A channel of a kind without readings keeps the value that came last, until the port
is lost; one of a kind with readings belongs to these and to no other. A kind with neither readings,
positions nor channels is passed over.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import MEASURED, Abilities
from swathe_drivers.inputs import joined_inputs
from swathe_drivers.records import MAX_FAULTS, Batch
from swathe_drivers.running_numbers import MissingOfKinds, NumbersShared
from swathe_drivers.settings import SettingProblem

MOST_KINDS: Final = 16
"""The most kinds of records of one device."""


@dataclass(frozen=True, slots=True, eq=False)
class KindRows:
    """What the good records of one kind hold, apart from readings and positions.

    Attributes:
        offsets: of the records, rising, shape (n,); of one with several readings once for each.
        columns: what they hold by name; a channel is `channel NAME`, a running number `sequence`.
    """

    offsets: NDArray[np.int64]
    columns: Mapping[str, NDArray[Any]]


def passed_over(batch: Batch, rows: KindRows | None) -> Batch:
    """Return a batch whose good records are ignored: they mean nothing here."""
    return replace(
        batch,
        n_ignored=batch.n_ignored + (0 if rows is None else rows.offsets.size),
        ignored_bytes=batch.ignored_bytes + batch.record_bytes,
        record_bytes=0,
    )


def together_problems(
    kinds: Sequence[Abilities], numbers: NumbersShared | None = None
) -> list[SettingProblem]:
    """Return what is wrong with several kinds of records taken together; paths begin with a number.

    Args:
        kinds: what each gives.
        numbers: whether they share a running number; None if that is not known.
    """
    found: list[SettingProblem] = []
    if not any(kind.gives_readings or kind.gives_positions for kind in kinds):
        return [
            ((), "must have a thickness, a time of flight or counts in one of them", len(kinds))
        ]
    named: dict[str, str] = {}
    for kind in kinds:
        for channel in kind.channels:
            if named.setdefault(channel.name, channel.unit) != channel.unit:
                requirement = f"must have one unit for the channel {channel.name!r}"
                found.append(((), requirement, channel.unit))
    readings = [number for number, kind in enumerate(kinds) if kind.gives_readings]
    measured = [number for number in readings if kinds[number].gives & MEASURED]
    if readings and not measured:
        requirement = "must have a thickness or a time of flight in one of them, as one has a status or an amplitude"
        return [*found, ((), requirement, len(kinds))]
    positions = [number for number, kind in enumerate(kinds) if kind.gives_positions]
    found += _pairing_problems(readings, positions)
    for chosen, names in (
        (measured, ("gives_measured",)),
        (positions, ("axes", "count_periods", "length_axes")),
    ):
        for number in chosen[1:]:
            for name in names:
                if _facet(kinds[number], name) != _facet(kinds[chosen[0]], name):
                    requirement = f"must have {_WORDS[name]} as record[{chosen[0]}] has"
                    found.append(((number,), requirement, None))
                    break
    found += _clock_problems(kinds, sorted({*readings, *positions}))
    found += _number_problems(kinds, numbers)
    waveforms = [number for number in readings if "waveform" in kinds[number].gives]
    found += [((number,), "must be the only one with a waveform", None) for number in waveforms[1:]]
    if waveforms:
        requirement = "must have a waveform, as another reading has"
        found += [((number,), requirement, None) for number in readings if number not in measured]
    return found


def placed_in_records(found: Sequence[SettingProblem]) -> list[SettingProblem]:
    """Return problems of several kinds of records with the paths in the table that has them."""
    return [
        (
            path if path[:1] in (("numbers",), ("held_axes",)) else ("record", *path),
            requirement,
            value,
        )
        for path, requirement, value in found
    ]


_WORDS: Final = {
    "gives_measured": "the same measured values",
    "axes": "positions of the same axes in the same order",
    "count_periods": "counts that roll over",
    "length_axes": "axes sent as lengths",
}


def _facet(kind: Abilities, name: str) -> object:
    return kind.gives - {"amplitude"} if name == "gives_measured" else getattr(kind, name)


def _pairing_problems(readings: Sequence[int], positions: Sequence[int]) -> list[SettingProblem]:
    """Return what is wrong where some records have readings and positions, and others one of them."""
    both = set(readings) & set(positions)
    if not both or readings == positions:
        return []
    other = min(both)
    found: list[SettingProblem] = []
    for odd in sorted(set(readings) ^ set(positions)):
        lacks = "a reading" if odd in positions else "positions"
        requirement = (
            f"must have {lacks} as well, as record[{other}] has readings with positions; or make the"
            f" positions in record[{other}] 'ignore' ('skip' in frames), if other records have positions:"
            " the clock joins them"
        )
        found.append(((odd,), requirement, None))
    return found


def _clock_problems(kinds: Sequence[Abilities], numbers: Sequence[int]) -> list[SettingProblem]:
    """Return what is wrong with the clocks of the records `numbers`, which have readings or positions."""
    found: list[SettingProblem] = []
    first = numbers[0]
    way_out = (
        "all records with readings or positions have one, or none: make it 'ignore' ('skip' in frames)"
        " where others have none"
    )
    for number in numbers[1:]:
        if kinds[number].has_clock and not kinds[first].has_clock:
            requirement = f"must have no device_time, as record[{first}] has none; {way_out}"
        elif kinds[first].has_clock and not kinds[number].has_clock:
            requirement = f"must have a device_time, as record[{first}] has one; {way_out}"
        elif kinds[first].clock_wrap_ns != kinds[number].clock_wrap_ns:
            requirement = (
                f"must have a device_time that starts again when that of record[{first}] does"
            )
        else:
            continue
        found.append(((number,), requirement, None))
    return found


def _number_problems(
    kinds: Sequence[Abilities], numbers: NumbersShared | None
) -> list[SettingProblem]:
    """Return what is wrong with the running numbers of several kinds of records."""
    numbered = [number for number, kind in enumerate(kinds) if kind.numbered]
    found: list[SettingProblem] = []
    if numbers is not None and len(numbered) < 2:
        requirement = "must be left out, as fewer than two records have a 'sequence'"
        return [(("numbers",), requirement, numbers)]
    if numbers == "shared":
        wraps = {kinds[number].sequence_wrap for number in numbered}
        if len(wraps) > 1:
            requirement = "must be 'separate' or left out, as the numbers of two records roll over at different places"
            found.append((("numbers",), requirement, numbers))
    if not _numbers_are_of_each(kinds, numbers):
        requirement = (
            "must have no 'period', as its numbers show no time: it needs a number in each record with"
            " readings or positions and in no other, and numbers = 'shared' where several have one"
        )
        found += [
            ((number,), requirement, None)
            for number in numbered
            if kinds[number].pulse_period_ns is not None
        ]
    return found


def _numbers_are_of_each(kinds: Sequence[Abilities], numbers: NumbersShared | None) -> bool:
    """Whether the number of each reading, and of each position, is one higher than that before."""
    numbered = [kind for kind in kinds if kind.numbered]
    if not numbered or len({(one.sequence_wrap, one.pulse_period_ns) for one in numbered}) > 1:
        return False
    streams = [
        [kind for kind in kinds if getattr(kind, name)]
        for name in ("gives_readings", "gives_positions")
    ]
    for stream in filter(None, streams):
        if not all(kind.numbered for kind in stream):
            return False
        if numbers == "separate" and len(stream) == 1:
            continue
        if len(numbered) > 1 and (numbers != "shared" or len(stream) != len(numbered)):
            return False
    return True


def joined_abilities(kinds: Sequence[Abilities], numbers: NumbersShared | None = None) -> Abilities:
    """Return what a decoder of several kinds of records gives; they must be right together."""
    readings = [kind for kind in kinds if kind.gives_readings]
    positions = [kind for kind in kinds if kind.gives_positions]
    main = (readings or positions)[0]
    channels = {channel.name: channel for kind in kinds for channel in kind.channels}
    where = (positions or readings)[0]
    numbered = _numbers_are_of_each(kinds, numbers)
    return replace(
        main,
        axes=where.axes,
        count_periods=where.count_periods,
        length_axes=where.length_axes,
        gives=frozenset().union(*(kind.gives for kind in readings)),
        gives_readings=bool(readings),
        gives_positions=bool(positions),
        combined=main.combined,
        numbered=numbered,
        sequence_wrap=main.sequence_wrap if numbered else None,
        pulse_period_ns=main.pulse_period_ns if numbered else None,
        held_after={name: most for kind in kinds for name, most in kind.held_after.items()},
        waveform=next((kind.waveform for kind in readings if kind.waveform is not None), None),
        channels=tuple(channels.values()) if readings else (),
        inputs=joined_inputs([kind.inputs for kind in readings]),
    )


class ChannelJoiner:
    """Finds the channels of readings, which may come in records of other kinds.

    Args:
        names: of the channels.
        of_readings: for each kind of records whether they are readings.
    """

    def __init__(self, names: Sequence[str], of_readings: Sequence[bool]) -> None:
        self._names = tuple(names)
        self._of_readings = tuple(of_readings)
        self.forget()

    def forget(self) -> None:
        """Forget the channels: the port was lost, and nobody knows what changed meanwhile."""
        self._last = np.full(len(self._names), np.nan)

    def filled(
        self, wanted: NDArray[np.int64], rows: Sequence[tuple[int, KindRows]]
    ) -> NDArray[np.float64]:
        """Return the channels of readings at offsets, which rise.

        Those of a record that is a reading are its own; the others are those of the last record up
        to there that has them and is none.
        """
        out = np.empty((wanted.size, len(self._names)))
        for column, name in enumerate(self._names):
            own: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
            held: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
            for number, one in rows:
                if (values := one.columns.get(f"channel {name}")) is not None:
                    into = own if self._of_readings[number] else held
                    into.append((one.offsets, values))
            out[:, column] = last = self._last[column]
            if held:
                offsets = np.concatenate([offsets for offsets, _ in held])
                values = np.concatenate([values for _, values in held])
                order = np.argsort(offsets, kind="stable")
                offsets, values = offsets[order], values[order]
                at = np.searchsorted(offsets, wanted, side="right") - 1
                out[:, column] = np.where(at < 0, last, values[np.maximum(at, 0)])
                self._last[column] = values[-1]
            for (
                offsets,
                values,
            ) in own:  # in the order of the readings, of which a record may have several
                out[np.isin(wanted, offsets), column] = values
        return out


class KindsJoiner:
    """Joins the batches of several kinds of records, in the order of the stream."""

    def __init__(
        self,
        abilities: Abilities,
        empty: Batch,
        kinds: Sequence[Abilities],
        numbers: NumbersShared | None = None,
    ) -> None:
        """Take what they give together, a batch of it without records, and what each gives."""
        self._channels = ChannelJoiner(
            [channel.name for channel in abilities.channels],
            [kind.gives_readings for kind in kinds],
        )
        self._has_channels = bool(abilities.channels)
        self._readings = abilities.gives_readings
        self._positions = abilities.gives_positions
        wraps = {number: kind.sequence_wrap for number, kind in enumerate(kinds) if kind.numbered}
        self._missing = MissingOfKinds(wraps, numbers) if wraps else None
        self._empty = empty if self._missing is None else replace(empty, n_missing=0)

    def forget(self) -> None:
        """Forget the channels: the port was lost, and nobody knows what changed meanwhile."""
        self._channels.forget()

    def join(self, batches: Sequence[Batch], rows: Sequence[tuple[int, KindRows]]) -> Batch:
        """Return one batch of those that the kinds made of the same chunks.

        Args:
            batches: each with the records, faults and bytes of its own lines or frames.
            rows: what else the good records hold, with the number of their kind.
        """
        n_faults: Counter[Any] = Counter()
        for batch in batches:
            n_faults.update(batch.n_faults)
        faults = [fault for batch in batches for fault in batch.faults]
        batch = replace(
            self._empty,
            faults=tuple(sorted(faults, key=lambda fault: fault.offset)[-MAX_FAULTS:]),
            n_faults=dict(n_faults),
            n_ignored=sum(batch.n_ignored for batch in batches),
            record_bytes=sum(batch.record_bytes for batch in batches),
            fault_bytes=sum(batch.fault_bytes for batch in batches),
            ignored_bytes=sum(batch.ignored_bytes for batch in batches),
        )
        parts: dict[str, Any] = {}
        if self._readings:
            also = ("readings_known_at", "readings_request", "waveforms")
            parts |= _in_order(batches, "readings", also)
        if self._positions:
            parts |= _in_order(batches, "positions", ("positions_known_at", "positions_request"))
        if self._has_channels:
            readings = parts.get("readings", self._empty.readings)
            parts["channels"] = self._channels.filled(readings["offset"], rows)
        if self._missing is not None:
            parts["n_missing"] = self._count_missing(self._missing, rows)
        return replace(batch, **parts)

    def _count_missing(self, missing: MissingOfKinds, rows: Sequence[tuple[int, KindRows]]) -> int:
        """Return how many records are missing by the numbers of all kinds, those passed over too."""
        sent = [
            (number, one.offsets, one.columns["sequence"])
            for number, one in rows
            if "sequence" in one.columns
        ]
        if not sent:
            return 0
        offsets = np.concatenate([offsets for _, offsets, _ in sent])
        order = np.argsort(offsets, kind="stable")
        kinds = np.repeat([number for number, _, _ in sent], [one.size for _, one, _ in sent])
        numbers = np.concatenate([numbers.astype(np.int64) for _, _, numbers in sent])
        return missing.count(kinds[order], numbers[order])


def _in_order(batches: Sequence[Batch], name: str, others: Sequence[str]) -> dict[str, Any]:
    """Return records of the batches by their offsets, with what goes with each."""
    found = [batch for batch in batches if getattr(batch, name).size]
    if not found:
        return {}
    if len(found) == 1:
        columns = {one: getattr(found[0], one) for one in (name, *others)}
        return {one: values for one, values in columns.items() if values is not None}
    records = np.concatenate([getattr(batch, name) for batch in found])
    order = np.argsort(records["offset"], kind="stable")
    out: dict[str, Any] = {name: records[order]}
    for other in others:
        values = [getattr(batch, other) for batch in found]
        if all(
            one is not None and len(one) for one in values
        ):  # requests: of numbered answers only
            out[other] = np.concatenate(values)[order]
    return out
