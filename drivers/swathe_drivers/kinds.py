"""Several kinds of records in one stream: what they may be together, and their batches joined.

A device may send lines or frames of several kinds: readings in some, positions in others, a
temperature now and then. Each kind has a decoder of its own. What they give becomes one batch in the
order of the stream; a channel keeps the value that came last, until the port is lost.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import MEASURED, Abilities
from swathe_drivers.records import MAX_FAULTS, Batch
from swathe_drivers.settings import SettingProblem

MOST_KINDS: Final = 16
"""The most kinds of records of one device."""

ChannelRows = tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]
"""Offsets of records, and the channels that each of them carries, by name."""


def together_problems(kinds: Sequence[Abilities]) -> list[SettingProblem]:
    """Return what is wrong with several kinds of records taken together; paths begin with a number."""
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
    if set(readings) & set(positions) and readings != positions:
        odd = (set(readings) ^ set(positions)).pop()
        requirement = "must have readings with positions, as another record has: in all or in none"
        found.append(((odd,), requirement, None))
    for numbers, names in (
        (measured, ("gives_measured",)),
        (positions, ("axes", "count_periods", "length_axes")),
        (sorted({*readings, *positions}), ("clock", "number")),
    ):
        for number in numbers[1:]:
            first = numbers[0]
            for name in names:
                if _facet(kinds[number], name) != _facet(kinds[first], name):
                    requirement = f"must have {_WORDS[name]} as record[{first}] has"
                    found.append(((number,), requirement, None))
                    break
    waveforms = [number for number in readings if "waveform" in kinds[number].gives]
    found += [((number,), "must be the only one with a waveform", None) for number in waveforms[1:]]
    if waveforms:
        requirement = "must have a waveform, as another reading has"
        found += [((number,), requirement, None) for number in readings if number not in measured]
    return found


_WORDS: Final = {
    "gives_measured": "the same measured values",
    "axes": "positions of the same axes in the same order",
    "count_periods": "counts that roll over",
    "length_axes": "axes sent as lengths",
    "clock": "a device_time, of the same roll-over,",
    "number": "a running number, of the same roll-over and period,",
}


def _facet(kind: Abilities, name: str) -> object:
    if name == "gives_measured":
        return kind.gives - {"amplitude"}
    if name == "clock":
        return kind.has_clock, kind.clock_wrap_ns
    if name == "number":
        return kind.numbered, kind.sequence_wrap, kind.pulse_period_ns
    return getattr(kind, name)


def joined_abilities(kinds: Sequence[Abilities]) -> Abilities:
    """Return what a decoder of several kinds of records gives; they must be right together."""
    readings = [kind for kind in kinds if kind.gives_readings]
    positions = [kind for kind in kinds if kind.gives_positions]
    main = (readings or positions)[0]
    channels = {channel.name: channel for kind in kinds for channel in kind.channels}
    where = (positions or readings)[0]
    return replace(
        main,
        axes=where.axes,
        count_periods=where.count_periods,
        length_axes=where.length_axes,
        gives=frozenset().union(*(kind.gives for kind in readings)),
        gives_readings=bool(readings),
        gives_positions=bool(positions),
        combined=main.combined,
        held_after={name: most for kind in kinds for name, most in kind.held_after.items()},
        waveform=next((kind.waveform for kind in readings if kind.waveform is not None), None),
        channels=tuple(channels.values()) if readings else (),
    )


class KindsJoiner:
    """Joins the batches of several kinds of records, in the order of the stream."""

    def __init__(self, abilities: Abilities, empty: Batch) -> None:
        """Take what they give together, and a batch of it without records."""
        self._names = [channel.name for channel in abilities.channels]
        self._readings = abilities.gives_readings
        self._positions = abilities.gives_positions
        self._empty = empty
        self.forget()

    def forget(self) -> None:
        """Forget the channels: the port was lost, and nobody knows what changed meanwhile."""
        self._last = np.full(len(self._names), np.nan)

    def join(self, batches: Sequence[Batch], channels: Iterable[ChannelRows]) -> Batch:
        """Return one batch of those that the kinds made of the same chunks.

        Args:
            batches: each with the records, faults and bytes of its own lines or frames.
            channels: of the records that carry some.
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
            parts |= _in_order(batches, "readings", ("readings_known_at", "waveforms"))
        if self._positions:
            parts |= _in_order(batches, "positions", ("positions_known_at",))
        if self._names:
            readings = parts.get("readings", self._empty.readings)
            parts["channels"] = self._filled(readings["offset"], list(channels))
        return replace(batch, **parts)

    def _filled(
        self, wanted: NDArray[np.int64], rows: Sequence[ChannelRows]
    ) -> NDArray[np.float64]:
        """Return for each offset, rising, the channels of the last record up to there that has them."""
        out = np.empty((wanted.size, len(self._names)))
        for column, name in enumerate(self._names):
            own = [(offsets, sent[name]) for offsets, sent in rows if name in sent]
            last = self._last[column]
            if not own:
                out[:, column] = last
                continue
            offsets = np.concatenate([offsets for offsets, _ in own])
            values = np.concatenate([values for _, values in own])
            order = np.argsort(offsets, kind="stable")
            offsets, values = offsets[order], values[order]
            at = np.searchsorted(offsets, wanted, side="right") - 1
            out[:, column] = np.where(at < 0, last, values[np.maximum(at, 0)])
            if values.size:
                self._last[column] = values[-1]
        return out


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
        if all(one is not None for one in values):
            out[other] = np.concatenate(values)[order]
    return out
