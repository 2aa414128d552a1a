"""What is in a device's lines or frames, in words."""

from __future__ import annotations

from collections.abc import Sequence

from swathe_simulators.carriage import TrueProbe
from swathe_simulators.device_models import (
    CombinedModel,
    CountsModel,
    EchoModel,
    EncoderModel,
    GaugeModel,
)

DeviceModels = EncoderModel | GaugeModel | CombinedModel


def counters_of(model: DeviceModels) -> int:
    """Return how many counts are in a line."""
    if not isinstance(model, CountsModel):
        return 0
    return len(model.axes) + (model.heading is not None)


def line_columns(model: DeviceModels, probes: Sequence[TrueProbe]) -> list[str]:
    """Return the names and units of the columns of a line, or the fields of a frame, in order."""
    sends = model.sends if isinstance(model, EchoModel) else None
    names = ["letter"] if sends != "frame" else ["A5 5B", "length (bytes, 16 bits)"]
    if model.clock is not False:
        names.append("clock (us)")
    names += {"input": ["input"], "turns": ["sequence"], "frame": ["sequence"]}.get(sends or "", [])
    if isinstance(model, CountsModel):
        names += [f"{axis.axis} (counts)" for axis in model.axes]
        names += ["heading (counts)"] * (model.heading is not None)
    if isinstance(model, EchoModel):
        tof = model.value == "time_of_flight"
        echo = [
            "time of flight (us)" if tof else "thickness (mm)",
            "amplitude (%)",
            "echo (E or N)",
        ]
        if sends == "frame":
            each = "input, flags, value (0.1 ns), amplitude (%)"
            names.append(each if tof else each.replace("0.1 ns", "um"))
            names.append("CRC-16/IBM-3740")
        elif sends == "values":
            names += [f"{name} of input {probe.input}" for probe in probes for name in echo]
        else:
            names += echo
    return names
