"""From the inputs of devices to the probes of a station."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.streams import TimedBatch
from swathe.station import NO_PROBE, AlarmKind, ProbeArray

__all__ = ["ProbeNumbers"]


class ProbeNumbers:
    """Gives readings the numbers of their probes, and leaves out those of no probe.

    Args:
        probes: of the carriage.
        tallies: of the devices, which count what is left out.

    Attributes:
        conditions: inputs without a probe, since they were taken last.
        left_out: readings of these, likewise.
    """

    def __init__(self, probes: ProbeArray, tallies: Mapping[str, DeviceTally]) -> None:
        self._tallies = tallies
        self._numbers = {device: probes.numbers_by_input(device) for device in probes.devices()}
        self._is_array = probes.probes[0].name != ""
        self._delays = np.array([probe.delay_ns for probe in probes.probes])
        self._reported: set[tuple[str, int]] = set()
        self.conditions: list[Condition] = []
        self.left_out: list[NDArray[Any]] = []

    def assign(self, device: str, batch: TimedBatch) -> TimedBatch:
        """Return a batch whose readings have the numbers of their probes in the column ``probe``.

        Their times are earlier by the delays of the probes. A device that no probe is on gives none.
        """
        readings = batch.readings
        inputs = readings["probe"].copy()
        readings["probe"] = self._numbers[device][inputs]
        if not self._is_array:
            return batch
        strange = readings["probe"] == NO_PROBE
        if strange.any():
            self._note(device, inputs[strange], batch.readings_known_at[strange])
            if batch.combined:
                return batch  # their positions count: see `DeviceInputs.take`
            self.left_out.append(readings[strange])
            batch = batch.with_readings(~strange)
            readings = batch.readings
        if self._delays.any() and not batch.combined:
            readings["time"] -= self._delays[readings["probe"]]
        return batch

    def _note(self, device: str, inputs: NDArray[np.uint8], known: Times) -> None:
        self._tallies[device].no_probe.update(inputs.tolist())
        for number, at in zip(inputs.tolist(), known.tolist(), strict=True):
            if (device, number) in self._reported:
                continue
            self._reported.add((device, number))
            detail = (
                f"{device}: readings of input {number}, which no [[probe]] has: they count nowhere. "
                "Add the probe to the station file, or switch the input off"
            )
            self.conditions.append(
                Condition(AlarmKind.NO_PROBE, f"{device} {number}", at, holds=True, detail=detail)
            )
