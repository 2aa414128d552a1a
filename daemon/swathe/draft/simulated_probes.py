"""Several probes of a simulated scenario: how their devices send them, and where each of them is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.draft.parts import columns_entry
from swathe.draft.tables import KeyDraft, TableDraft
from swathe.draft.wishes import mm_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from swathe_simulators import Scenario
    from swathe_simulators.device_models import CombinedModel, EncoderModel, GaugeModel

__all__ = [
    "echo_columns",
    "frame_entries",
    "line_entries",
    "number_columns",
    "probe_rows",
    "probe_tables",
    "readings_each",
]

_RUNNING_NUMBERS = 65536
# Of frames: a time of flight in 0.1 ns, a thickness in micrometres.
_FRAME_VALUES: dict[str, dict[str, object]] = {
    "time_of_flight": {"unit": "ns", "type": "u4", "scale": 0.1},
    "thickness": {"unit": "um", "type": "u4"},
}


def readings_each(device: GaugeModel | CombinedModel) -> float:
    """Return the readings that a device takes of each probe a second."""
    return device.rate_hz * device.at_once / max(len(device.probes), 1)


def probe_rows(scenario: Scenario, lines: Sequence[float]) -> list[float]:
    """Return the index positions that the probes come along on lines of the datum, mm, rising."""
    offsets = [probe.index_mm for probe in scenario.probes] or [0.0]
    return sorted({round(line + offset, 6) for line in lines for offset in offsets})


def probe_tables(scenario: Scenario) -> list[TableDraft]:
    """Return ``[[probe]]`` for each probe that a device states, and the heading's encoder."""
    tables = [
        TableDraft(
            "probe",
            (
                KeyDraft("name", probe.name),
                KeyDraft("device", device.name),
                *([] if device.sends is None else [KeyDraft("input", probe.input)]),
                KeyDraft("scan", mm_text(probe.scan_mm), "ahead of the carriage's datum"),
                KeyDraft("index", mm_text(probe.index_mm), "beside it"),
            ),
            repeated=True,
        )
        for device in scenario.device
        if device.kind != "encoder"
        for probe in device.probes
    ]
    for device in scenario.device:
        if device.kind == "gauge" or device.heading is None:
            continue
        heading = device.heading
        entries = [
            KeyDraft("device", device.name, "whose counts give the heading"),
            KeyDraft("counts_per_degree", heading.counts_per_degree),
        ]
        if heading.sign < 0:
            entries.append(KeyDraft("reversed", True, "counts fall while the heading rises"))
        if heading.preset:
            entries.append(KeyDraft("zero_count", heading.preset, "counts at 0 degrees"))
        about = "The carriage turns: a positive heading is towards higher index positions."
        tables.append(TableDraft("carriage.heading", tuple(entries), about))
    return tables


def echo_columns(device: GaugeModel | CombinedModel) -> list[dict[str, object]]:
    """Return the columns of a line behind the counts: once, or once for each probe."""
    inputs = [probe.input for probe in device.probes] if device.sends == "values" else [None]
    columns: list[dict[str, object]] = []
    for number in inputs:
        own = {} if number is None else {"probe": number}
        if device.value == "thickness":
            columns.append({"is": "thickness", "unit": "mm", **own})
        else:
            columns.append({"is": "time_of_flight", "unit": "us", "min": 0, "max": 100, **own})
        columns.append({"is": "amplitude", "unit": "%", **own})
        columns.append({"is": "status", "valid": ["E"], "invalid": ["N"], **own})
    return columns


def number_columns(device: EncoderModel | GaugeModel | CombinedModel) -> list[dict[str, object]]:
    """Return the column between the clock and the counts: an input's number or a running one."""
    sends = None if device.kind == "encoder" else device.sends
    if device.kind != "encoder" and sends == "input":
        return [{"is": "probe", "inputs": sorted(probe.input for probe in device.probes)}]
    return [{"is": "sequence", "wrap": _RUNNING_NUMBERS}] if sends == "turns" else []


def line_entries(
    device: EncoderModel | GaugeModel | CombinedModel, columns: list[dict[str, object]]
) -> list[KeyDraft]:
    """Return the keys of the protocol of a device that sends lines with some columns."""
    entries = [
        KeyDraft("checksum", {"kind": "xor", "after": "*"}, "of the bytes ahead of the star")
    ]
    if device.kind != "encoder" and device.sends == "turns":
        turns = [probe.input for probe in device.probes]
        entries.append(KeyDraft("probes_in_turn", turns, "by the running number"))
    return [*entries, columns_entry(columns)]


def frame_entries(device: GaugeModel | CombinedModel) -> list[KeyDraft]:
    """Return the protocol of a device whose frames have a group for each probe."""
    fields: list[dict[str, object]] = [
        {"is": "length", "type": "u2"},
        {"is": "device_time", "type": "u4", "unit": "us", "bits": 32},
        {"is": "sequence", "type": "u2"},
    ]
    if device.kind == "combined":
        names = [axis.axis for axis in device.axes] + ["heading"] * (device.heading is not None)
        fields += [{"is": "counts", "axis": str(name), "type": "i4"} for name in names]
    group = [
        {"is": "probe", "type": "u1", "inputs": sorted(probe.input for probe in device.probes)},
        {"is": "status", "type": "u1", "mask": 1, "valid_when": 1},
        {"is": str(device.value), **_FRAME_VALUES[device.value]},
        {"is": "amplitude", "type": "u1"},
    ]
    return [
        KeyDraft("byte_order", "big"),
        KeyDraft("framing", {"kind": "length_prefix", "sync": [0xA5, 0x5B], "adds": 6}),
        KeyDraft(
            "checksum", {"kind": "crc", "width": 16, "poly": 0x1021, "init": 0xFFFF, "from": 0}
        ),
        KeyDraft("fields", tuple(fields), "of a frame, in order"),
        KeyDraft("repeat.fields", tuple(group), "of each probe"),
    ]
