"""The devices of a simulated scenario as tables of a station file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.draft.parts import echo_tables
from swathe.draft.simulated_probes import (
    echo_columns,
    frame_entries,
    line_entries,
    number_columns,
)
from swathe.draft.tables import KeyDraft, TableDraft

if TYPE_CHECKING:
    from swathe_simulators import Scenario
    from swathe_simulators.device_models import (
        CombinedModel,
        EncoderModel,
        GaugeModel,
        PortModel,
        WaveformModel,
    )

__all__ = ["device_tables", "gate_tables", "gauge_of_scenario", "simulated_address"]

_LETTERS = {"encoder": "P", "gauge": "R", "combined": "C"}
# Code of full screen height, by the bits of a sample.
_FULL_SCALES = {8: 127, 16: 32767}


def gauge_of_scenario(scenario: Scenario) -> GaugeModel | CombinedModel:
    """Return the device that gives readings."""
    for device in scenario.device:
        if device.kind != "encoder":
            return device
    message = f"the scenario {scenario.name} has no gauge"
    raise ValueError(message)


def device_tables(scenario: Scenario, ports: str) -> list[TableDraft]:
    """Return ``[device.NAME]`` and its protocol for each device.

    Args:
        scenario: whose devices they are.
        ports: folder of the links to the pseudo-terminals.
    """
    tables: list[TableDraft] = []
    for device in scenario.device:
        waveform = None if device.kind == "encoder" else device.waveform
        framed = device.kind != "encoder" and device.sends == "frame"
        binary = waveform is not None or framed
        entries = [KeyDraft("driver", "frames", "binary frames")] if binary else []
        entries.append(
            KeyDraft(
                "port",
                simulated_address(device.port, device.name, ports),
                "or /dev/ttyUSB0, usb:SERIAL",
            )
        )
        if device.port.baud is not None:
            entries.append(KeyDraft("baud", device.port.baud, "of the serial line"))
        what = "the count" if device.kind == "encoder" else "the echo"
        delay = f"{device.latency.delay_ms:.9g} ms"
        entries.append(KeyDraft("delay", delay, f"from {what} to the first byte of its line"))
        tables.append(TableDraft(f"device.{device.name}", tuple(entries), _ABOUT[device.kind]))
        protocol = _line(device) if waveform is None else _frames(waveform)
        if device.kind != "encoder" and framed:
            protocol = frame_entries(device)
        comment = "From the instrument's manual; `swathe listen PORT --suggest` proposes it."
        tables.append(TableDraft(f"device.{device.name}.protocol", tuple(protocol), comment))
    return tables


_ABOUT = {
    "encoder": "Gives positions.",
    "gauge": "Gives readings.",
    "combined": "Gives positions and readings, in one line.",
}


def simulated_address(port: PortModel, name: str, ports: str) -> str:
    """Return the address of a simulated port."""
    return f"socket://{port.host}:{port.port}" if port.kind == "tcp" else f"{ports}/{name}"


def _line(device: EncoderModel | GaugeModel | CombinedModel) -> list[KeyDraft]:
    """Return the protocol of a device that sends lines of text."""
    columns: list[dict[str, object]] = [{"is": "constant", "text": _LETTERS[device.kind]}]
    if device.clock is not False:
        clock: dict[str, object] = {"is": "device_time", "unit": "us"}
        if device.clock.wrap_bits is not None:
            clock["bits"] = device.clock.wrap_bits
        columns.append(clock)
    columns += number_columns(device)
    if device.kind != "gauge":
        for axis in device.axes:
            counts: dict[str, object] = {"is": "counts", "axis": axis.axis}
            if device.bits is not None:
                counts["bits"] = device.bits
            columns.append(counts)
        if device.heading is not None:
            turned: dict[str, object] = {"is": "counts", "axis": "heading"}
            columns.append(turned | ({} if device.bits is None else {"bits": device.bits}))
    if device.kind != "encoder":
        columns += echo_columns(device)
    return line_entries(device, columns)


def _frames(waveform: WaveformModel) -> list[KeyDraft]:
    """Return the protocol of a device that sends blocks with an A-scan each."""
    field = {
        "is": "waveform",
        "type": f"i{waveform.bits // 8}",
        "samples": waveform.samples,
        "interval": f"{1000 / waveform.sampling_mhz:.9g} ns",
        "full_scale": _FULL_SCALES[waveform.bits],
    }
    if waveform.start_us:
        field["start"] = f"{waveform.start_us:.9g} us"
    return [
        KeyDraft("byte_order", waveform.byte_order),
        KeyDraft(
            "framing",
            {"kind": "length_prefix", "sync": [0xA5, 0x5A], "adds": 6},
            "two bytes, then the length",
        ),
        KeyDraft(
            "checksum", {"kind": "crc", "width": 16, "poly": 0x1021, "init": 0xFFFF, "from": 0}
        ),
        KeyDraft(
            "fields",
            (
                {"is": "length", "type": "u2"},
                {"is": "device_time", "type": "u4", "unit": "us", "bits": 32},
                {"is": "sequence", "type": "u2"},
                {"is": "status", "type": "u1", "mask": 1, "valid_when": 1},
                field,
            ),
            "of a frame, in order",
        ),
    ]


def gate_tables(gauge: GaugeModel | CombinedModel) -> list[TableDraft]:
    """Return ``[echo]`` with its gate for a gauge that sends A-scans; else nothing."""
    waveform = gauge.waveform
    if waveform is None:
        return []
    end = waveform.start_us + waveform.samples / waveform.sampling_mhz
    start = max(waveform.start_us, gauge.zero_offset_us + 0.2)
    band = KeyDraft("band", {"centre": f"{waveform.frequency_mhz:.9g} MHz"}, "against noise")
    kept = KeyDraft("waveforms", True, "each cell keeps the A-scan of its reading")
    return [
        *echo_tables(
            start,
            min(6.0, end - start),
            keys=[band],
            comment="The A-scan is measured by gates; `swathe setup` shows it live and changes them.",
        ),
        TableDraft("store", (kept,)),
    ]
