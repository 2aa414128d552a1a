"""The carriage with its probes: where each of them truly is, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from swathe_simulators.base import Floats, Ints
from swathe_simulators.probe_models import (
    CarriageModel,
    DeadProbeModel,
    LateProbeModel,
    ProbeFault,
    ProbeModel,
    ProbeOffsetModel,
    SwappedProbesModel,
    WeakProbeModel,
)
from swathe_simulators.trajectory import States, Trajectory

NO_PROBES: tuple[ProbeModel, ...] = ()


@dataclass(frozen=True, slots=True)
class TrueProbe:
    """A probe as it really is.

    Attributes:
        name: of the probe that is said to be at the input.
        input: of its device.
        scan_mm, index_mm: offset from the datum while the heading is 0.
        dead_from_s: motion time from which it has no echo.
        amplitude_factor: of its echoes.
        lost_share: of its readings that have no echo.
        delay_s: by which its readings are older than their clock says.
    """

    name: str
    input: int
    scan_mm: float = 0.0
    index_mm: float = 0.0
    dead_from_s: float = np.inf
    amplitude_factor: float = 1.0
    lost_share: float = 0.0
    delay_s: float = 0.0


class Carriage:
    """Turns with its heading, and carries the probes of all devices.

    Args:
        model: how it turns.
        probes: of all devices, as the scenario states them.
        faults: what is wrong with some.
    """

    def __init__(
        self,
        model: CarriageModel,
        probes: Sequence[ProbeModel],
        faults: Sequence[ProbeFault] = (),
    ) -> None:
        self._heading = model.heading
        self._probes = {probe.name: _true(probe, faults) for probe in probes}
        for fault in faults:
            if isinstance(fault, SwappedProbesModel):
                one, other = (self._probes[name] for name in fault.probes)
                # The probe itself moves to the other input, with all that is wrong with it.
                self._probes[one.name] = replace(other, name=one.name, input=one.input)
                self._probes[other.name] = replace(one, name=other.name, input=other.input)

    def probe(self, name: str) -> TrueProbe:
        """Return what is at the input of a probe."""
        return self._probes[name]

    def heading(self, states: States) -> Floats:
        """Return the heading at states of the datum, degrees, shape (n,)."""
        model = self._heading
        turn = np.sin(2 * np.pi * states.scan / model.along_mm)
        return np.asarray(model.start_deg + model.swing_deg * turn)

    def places(self, states: States, scan_mm: Floats, index_mm: Floats) -> tuple[Floats, Floats]:
        """Return where points of the carriage are, in mm along scan and index, shape (n,).

        Args:
            states: of the datum, n of them.
            scan_mm: offsets of the points while the heading is 0, shape (n,) or ().
            index_mm: likewise.
        """
        angle = np.radians(self.heading(states))
        cosine, sine = np.cos(angle), np.sin(angle)
        return (
            states.scan + scan_mm * cosine - index_mm * sine,
            states.index + scan_mm * sine + index_mm * cosine,
        )

    def path_of(self, name: str, trajectory: Trajectory, moved_s: Floats) -> tuple[Floats, Floats]:
        """Return where a probe truly is at times of the motion, mm, shape (n,) each.

        Raises:
            KeyError: no such probe.
        """
        probe = self._probes[name]
        states = trajectory.at(moved_s)
        return self.places(states, np.asarray(probe.scan_mm), np.asarray(probe.index_mm))


@dataclass(frozen=True, slots=True)
class ProbeColumns:
    """The probes of n readings as columns, shape (n,) each; see `TrueProbe`."""

    input: Ints
    scan_mm: Floats
    index_mm: Floats
    dead_from_s: Floats
    amplitude_factor: Floats
    lost_share: Floats
    delay_s: Floats

    @classmethod
    def of(cls, probes: Sequence[TrueProbe], which: Ints) -> ProbeColumns:
        """Return the columns of some probes, by their numbers in a sequence."""

        def column(name: str) -> Floats:
            return np.array([getattr(probe, name) for probe in probes], np.float64)[which]

        return cls(
            input=np.array([probe.input for probe in probes], np.int64)[which],
            scan_mm=column("scan_mm"),
            index_mm=column("index_mm"),
            dead_from_s=column("dead_from_s"),
            amplitude_factor=column("amplitude_factor"),
            lost_share=column("lost_share"),
            delay_s=column("delay_s"),
        )


def _true(probe: ProbeModel, faults: Sequence[ProbeFault]) -> TrueProbe:
    true = TrueProbe(probe.name, probe.input, probe.scan_mm, probe.index_mm)
    for fault in faults:
        if isinstance(fault, SwappedProbesModel) or fault.probe != probe.name:
            continue
        if isinstance(fault, DeadProbeModel):
            true = replace(true, dead_from_s=min(true.dead_from_s, fault.from_s))
        elif isinstance(fault, WeakProbeModel):
            true = replace(
                true, amplitude_factor=fault.amplitude_factor, lost_share=fault.lost_share
            )
        elif isinstance(fault, ProbeOffsetModel):
            true = replace(
                true, scan_mm=true.scan_mm + fault.scan_mm, index_mm=true.index_mm + fault.index_mm
            )
        elif isinstance(fault, LateProbeModel):
            true = replace(true, delay_s=true.delay_s + fault.delay_ms / 1e3)
    return true
