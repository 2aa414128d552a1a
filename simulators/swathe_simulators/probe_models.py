"""Settings of several probes on one carriage, and of what is wrong with them, as pydantic models."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from swathe_simulators.base import DeviceName, Finite, NotNegative, Positive, ScenarioModel

MOST_PROBES = 64
"""Of one device; its frames have a 16-bit length."""

ManyProbes = Literal["input", "turns", "values", "frame"]
"""How a device sends several probes; see `protocol`."""


class ProbeModel(ScenarioModel):
    """A probe: the input of its device, and where it is said to be on the carriage.

    The offset is from the carriage's datum, along scan and index while the heading is 0.
    """

    name: DeviceName
    input: Annotated[int, Field(ge=0, le=255)] = 0
    scan_mm: Finite = 0.0
    index_mm: Finite = 0.0


class HeadingModel(ScenarioModel):
    """How the carriage is turned: `start_deg + swing_deg · sin(2π · scan / along_mm)`.

    A positive heading turns its front towards higher index positions.
    """

    start_deg: Finite = 0.0
    swing_deg: Finite = 0.0
    along_mm: Positive = 1000.0


class CarriageModel(ScenarioModel):
    """What carries the probes: a frame that keeps its direction, or one that steers."""

    heading: HeadingModel = HeadingModel()


class HeadingCounterModel(ScenarioModel):
    """A further column of a counter: the heading, in counts."""

    counts_per_degree: Positive
    sign: Literal[-1, 1] = 1
    preset: int = 0


class DeadProbeModel(ScenarioModel):
    """A probe without any echo from a time of the motion on."""

    kind: Literal["dead_probe"]
    probe: DeviceName
    from_s: NotNegative


class WeakProbeModel(ScenarioModel):
    """A probe that couples badly: weaker echoes, and a share of its readings without any."""

    kind: Literal["weak_probe"]
    probe: DeviceName
    amplitude_factor: Annotated[float, Field(gt=0, le=1)] = 0.5
    lost_share: Annotated[float, Field(ge=0, le=1)] = 0.2


class ProbeOffsetModel(ScenarioModel):
    """A probe that is not where it is said to be: so much is added to its offset."""

    kind: Literal["probe_offset"]
    probe: DeviceName
    scan_mm: Finite = 0.0
    index_mm: Finite = 0.0


class SwappedProbesModel(ScenarioModel):
    """Two probes whose cables are swapped: each is at the other's input."""

    kind: Literal["swapped_probes"]
    probes: tuple[DeviceName, DeviceName]

    @model_validator(mode="after")
    def _two(self) -> Self:
        if self.probes[0] == self.probes[1]:
            raise ValueError("must be two different probes")
        return self


class LateProbeModel(ScenarioModel):
    """A probe whose readings are older than their clock and number say."""

    kind: Literal["late_probe"]
    probe: DeviceName
    delay_ms: NotNegative


ProbeFault = (
    DeadProbeModel | WeakProbeModel | ProbeOffsetModel | SwappedProbesModel | LateProbeModel
)


def faulty_probes(fault: ProbeFault) -> tuple[str, ...]:
    """Return the names of the probes that a fault is of."""
    return fault.probes if isinstance(fault, SwappedProbesModel) else (fault.probe,)
