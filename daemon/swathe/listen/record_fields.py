"""The newest records of a batch as texts, each field with its heading."""

from __future__ import annotations

from typing import Any

import numpy as np

from swathe_drivers import Batch, Decoder, channels_of, inputs_of
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME, begins_record

__all__ = ["newest_records"]

_Fields = tuple[tuple[str, str], ...]


def newest_records(batch: Batch, decoder: Decoder, most: int) -> list[tuple[int, int, _Fields]]:
    """Return the last records, at most `most` rows, in the order of their bytes.

    Of each how many records are behind it, its time, ns, and its fields. A device whose counts and readings
    come in records of their own gives both kinds of record; a record with readings of several inputs has
    a row for each.
    """
    place = np.cumsum(begins_record(batch.readings)) - 1  # of the position of each reading
    first = max(batch.readings.size - most, 0)
    found: list[tuple[int, int, list[tuple[str, str]]]] = []
    for row in range(first, batch.readings.size):
        reading = batch.readings[row]
        fields = _common_fields(reading) + _reading_fields(reading, decoder)
        if decoder.combined:
            fields += _place_fields(batch.positions[place[row]], decoder)
        if batch.channels is not None:
            fields += _channel_fields(batch.channels[row].tolist(), decoder)
        found.append((int(reading["offset"]), int(reading["time"]), fields))
    for position in batch.positions[-most:] if not decoder.combined else ():
        fields = _common_fields(position) + _place_fields(position, decoder)
        found.append((int(position["offset"]), int(position["time"]), fields))
    found.sort(key=lambda record: record[0])
    rows: list[tuple[int, int, _Fields]] = []
    behind, last = -1, None
    for offset, time, fields in reversed(found[-most:]):
        behind += offset != last
        last = offset
        rows.append((behind, time, tuple(fields)))
    return rows[::-1]


def _common_fields(record: Any) -> list[tuple[str, str]]:  # noqa: ANN401  a row of an array
    fields = []
    if int(record["sequence"]) != ABSENT_SEQUENCE:
        fields.append(("number", str(int(record["sequence"]))))
    if int(record["device_time"]) != ABSENT_TIME:
        fields.append(("device s", f"{int(record['device_time']) / 1e9:.6f}"))
    return fields


def _reading_fields(reading: Any, decoder: Decoder) -> list[tuple[str, str]]:  # noqa: ANN401
    fields = []
    if inputs_of(decoder) != (0,):
        fields.append(("input", str(int(reading["probe"]))))
    fields.append(("echo", "yes" if reading["valid"] else "NO"))
    for column, heading, form in (
        ("time_of_flight", "flight µs", "{:.3f}"),
        ("thickness", "thick mm", "{:.3f}"),
        ("amplitude", "ampl %", "{:.1f}"),
    ):
        if column in decoder.gives:
            value = float(reading[column])
            fields.append((heading, "–" if np.isnan(value) else form.format(value)))
    return fields


def _place_fields(position: Any, decoder: Decoder) -> list[tuple[str, str]]:  # noqa: ANN401
    fields = []
    counts = position["counts"].tolist()
    marks = position["mark"].tolist()
    for axis, count, mark in zip(decoder.axes, counts, marks, strict=True):
        unit = " mm" if axis in decoder.length_axes else ""
        form = f"{count:.3f}" if unit else f"{count:.0f}"
        period = decoder.count_periods.get(axis)
        if period is not None and 2 * count >= period:
            form += f" (or {count - period:.0f})"  # it rolled over below 0
        fields.append((f"{axis}{unit}", form + (" mark" if mark else "")))
    return fields


def _channel_fields(values: list[float], decoder: Decoder) -> list[tuple[str, str]]:
    fields = []
    for channel, value in zip(channels_of(decoder), values, strict=True):
        unit = "" if channel.unit == "1" else f" {channel.unit}"
        fields.append((f"{channel.name}{unit}", "–" if np.isnan(value) else f"{value:g}"))
    return fields
