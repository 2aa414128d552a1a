"""Settings of a scenario file, as pydantic models.

Every length is a plain number of millimetres, every time is in world seconds unless the
key's suffix says otherwise.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from swathe_simulators.base import (
    DeviceName,
    Finite,
    Interval,
    NotNegative,
    Positive,
    ScenarioModel,
)
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.device_models import CombinedModel, EncoderModel, GaugeModel
from swathe_simulators.probe_models import CarriageModel, ProbeFault, ProbeModel


class ThinningModel(ScenarioModel):
    """A smooth, wide hollow: a Gaussian with its own width on either axis."""

    scan_mm: Finite
    index_mm: Finite
    sigma_scan_mm: Positive
    sigma_index_mm: Positive
    depth_mm: Positive


class PitModel(ScenarioModel):
    """A round pit; at `radius_mm` from its centre the depth has fallen to exp(-2) of it."""

    scan_mm: Finite
    index_mm: Finite
    radius_mm: Positive
    depth_mm: Positive


class WeldModel(ScenarioModel):
    """A strip across the whole part, `from_mm`..`to_mm` on `axis`, thicker by its crown."""

    axis: Literal["scan", "index"]
    from_mm: Finite
    to_mm: Finite
    crown_mm: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.from_mm < self.to_mm:
            raise ValueError("must have from_mm < to_mm")
        return self


class RectangleModel(ScenarioModel):
    """An area of the surface."""

    scan_mm: Interval
    index_mm: Interval


class StepModel(ScenarioModel):
    """A step of a block, `from_mm`..`to_mm` along scan; its thickness is its name."""

    from_mm: Finite
    to_mm: Finite
    thickness_mm: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.from_mm < self.to_mm:
            raise ValueError("must have from_mm < to_mm")
        return self


class PartModel(ScenarioModel):
    """The wall: a plane of scan × index, as if the pipe were unrolled; or a step block.

    Where there is a step, its thickness takes the place of the nominal one.
    """

    outside_diameter_mm: Positive
    nominal_mm: Positive
    velocity_mm_per_us: Positive = 5.92
    scan_mm: Interval
    index_mm: Interval
    thinning: list[ThinningModel] = Field(default_factory=list)
    pits: list[PitModel] = Field(default_factory=list)
    random_thinning: Annotated[int, Field(ge=0)] = 0
    random_pits: Annotated[int, Field(ge=0)] = 0
    random_thinning_depth_mm: Interval = (0.3, 1.2)
    random_pit_depth_mm: Interval = (0.5, 2.5)
    random_pit_radius_mm: Interval = (6.0, 18.0)
    welds: list[WeldModel] = Field(default_factory=list)
    obstructions: list[RectangleModel] = Field(default_factory=list)
    steps: list[StepModel] = Field(default_factory=list)

    @model_validator(mode="after")
    def _distinct_steps(self) -> Self:
        ordered = sorted(self.steps, key=lambda step: step.from_mm)
        for before, after in pairwise(ordered):
            if after.from_mm < before.to_mm:
                raise ValueError(
                    f"must have steps that do not overlap, not {before.from_mm:g}.."
                    f"{before.to_mm:g} and {after.from_mm:g}..{after.to_mm:g}"
                )
        if len({step.thickness_mm for step in self.steps}) < len(self.steps):
            raise ValueError("must have steps of different thickness")
        return self


class FastStretchModel(ScenarioModel):
    """A stretch of one line that is driven too fast, on the first pass only."""

    line: Annotated[int, Field(ge=0)]
    from_mm: Finite
    to_mm: Finite
    speed_mm_per_s: Positive
    acceleration_mm_per_s2: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.from_mm < self.to_mm:
            raise ValueError("must have from_mm < to_mm")
        return self


class RasterModel(ScenarioModel):
    """A crawler's raster: lines along scan, one index step between them."""

    kind: Literal["raster"]
    pattern: Literal["serpentine", "one_way"] = "serpentine"
    scan_start_mm: Finite
    scan_end_mm: Finite
    run_out_mm: Positive
    index_start_mm: Finite
    index_step_mm: Positive
    index_count: Annotated[int, Field(ge=1)]
    speed_mm_per_s: Positive
    acceleration_mm_per_s2: Positive
    index_speed_mm_per_s: Positive
    index_acceleration_mm_per_s2: Positive
    return_speed_mm_per_s: Positive | None = None
    pause_s: NotNegative = 0.2
    wait_s: NotNegative = 1.0
    fast: list[FastStretchModel] = Field(default_factory=list)

    @model_validator(mode="after")
    def _feasible(self) -> Self:
        if not self.scan_start_mm < self.scan_end_mm:
            raise ValueError("must have scan_start_mm < scan_end_mm")
        problems = []
        lowest = self.scan_start_mm - self.run_out_mm
        highest = self.scan_end_mm + self.run_out_mm
        ordered = sorted(self.fast, key=lambda f: (f.line, f.from_mm))
        for number, fast in enumerate(ordered):
            if fast.line >= self.index_count:
                problems.append(f"fast line {fast.line} is not below index_count")
            if fast.from_mm < lowest or fast.to_mm > highest:
                problems.append(f"fast stretch {fast.from_mm:g}..{fast.to_mm:g} leaves the line")
            if fast.speed_mm_per_s <= self.speed_mm_per_s:
                problems.append("a fast stretch is not faster than speed_mm_per_s")
            before = ordered[number - 1] if number else None
            if before and before.line == fast.line and before.to_mm > fast.from_mm:
                problems.append(f"two fast stretches of line {fast.line} overlap")
        if problems:
            raise ValueError("must be drivable: " + "; ".join(problems))
        return self


class StopModel(ScenarioModel):
    """The hand stops at `at_mm` for `for_s`."""

    at_mm: Finite
    for_s: Positive


class ReversalModel(ScenarioModel):
    """The hand goes back by `back_mm` when it has come to `at_mm`, and then on."""

    at_mm: Finite
    back_mm: Annotated[float, Field(ge=10, le=40)]


class HandModel(ScenarioModel):
    """One line driven by a human: irregular speed, stops, reversals, a lift-off."""

    kind: Literal["hand"]
    scan_start_mm: Finite
    scan_end_mm: Finite
    index_mm: Finite = 0.0
    min_speed_mm_per_s: Positive
    max_speed_mm_per_s: Positive
    acceleration_mm_per_s2: Positive = 400.0
    stops: list[StopModel] = Field(default_factory=list)
    reversals: list[ReversalModel] = Field(default_factory=list)
    lift_off_mm: list[Interval] = Field(default_factory=list)
    wait_s: NotNegative = 1.0

    @model_validator(mode="after")
    def _feasible(self) -> Self:
        if not self.scan_start_mm < self.scan_end_mm:
            raise ValueError("must have scan_start_mm < scan_end_mm")
        if not self.min_speed_mm_per_s < self.max_speed_mm_per_s:
            raise ValueError("must have min_speed_mm_per_s < max_speed_mm_per_s")
        events = [s.at_mm for s in self.stops] + [r.at_mm for r in self.reversals]
        outside = [at for at in events if not self.scan_start_mm < at < self.scan_end_mm]
        if outside:
            raise ValueError(f"must have stops and reversals inside the line, not at {outside}")
        if len(set(events)) < len(events):
            raise ValueError("must have stops and reversals at different positions")
        low = [r.at_mm for r in self.reversals if r.at_mm - r.back_mm < self.scan_start_mm]
        if low:
            raise ValueError(f"must not go back past scan_start_mm from {low}")
        return self


class StepsModel(ScenarioModel):
    """A probe put on one step of the block after the other, and lifted off between.

    `order_mm` names the steps by their thickness; without it they come as the part lists
    them. Without `rounds` it goes on for ever. Each time the probe is put on, the couplant film is
    another one: it adds a normal error of standard deviation `coupling_ns` to the time of flight.
    """

    kind: Literal["steps"]
    order_mm: list[Positive] = Field(default_factory=list)
    dwell_s: Positive
    lift_s: Positive
    rounds: Annotated[int, Field(ge=1)] | None = None
    index_mm: Finite = 0.0
    wait_s: NotNegative = 1.0
    coupling_ns: NotNegative = 0.0


MotionModels = RasterModel | HandModel | StepsModel | CommandedModel
AnyDevice = Annotated[EncoderModel | GaugeModel | CombinedModel, Field(discriminator="kind")]
AnyMotion = Annotated[MotionModels, Field(discriminator="kind")]


class CouplingLossModel(RectangleModel):
    """No echo in a rectangle: on the first pass only, or always."""

    kind: Literal["coupling_loss"]
    until: Literal["revisit", "always"] = "revisit"


class SlipModel(ScenarioModel):
    """The encoder wheel slips: counts grow by `factor` of the distance driven, from a to b."""

    kind: Literal["slip"]
    scan_mm: Interval
    index_mm: Interval | None = None
    factor: Annotated[float, Field(ge=0, lt=1)]
    until: Literal["revisit", "always"] = "revisit"


AnyFault = Annotated[CouplingLossModel | SlipModel | ProbeFault, Field(discriminator="kind")]


class InjectModel(ScenarioModel):
    """Foreign bytes on a device's port, `at_s` seconds after the start."""

    device: str
    at_s: NotNegative
    bytes_hex: str | None = None
    text: str | None = None

    @model_validator(mode="after")
    def _one_content(self) -> Self:
        if (self.bytes_hex is None) == (self.text is None):
            raise ValueError("must give either bytes_hex or text")
        if self.bytes_hex is not None:
            try:
                bytes.fromhex(self.bytes_hex)
            except ValueError as error:
                raise ValueError("must have pairs of hex digits in bytes_hex") from error
        return self

    @property
    def data(self) -> bytes:
        """The bytes to write."""
        if self.bytes_hex is not None:
            return bytes.fromhex(self.bytes_hex)
        return (self.text or "").encode()


class UnplugModel(ScenarioModel):
    """The cable comes off `at_s` seconds after the start and is back `for_s` later."""

    device: str
    at_s: NotNegative
    for_s: Positive


class Scenario(ScenarioModel):
    """A whole scenario file."""

    name: DeviceName
    description: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    start: Literal["when_listened", "at_once"] = "when_listened"
    part: PartModel
    motion: AnyMotion
    carriage: CarriageModel = CarriageModel()
    device: Annotated[list[AnyDevice], Field(min_length=1)]
    fault: list[AnyFault] = Field(default_factory=list)
    inject: list[InjectModel] = Field(default_factory=list)
    unplug: list[UnplugModel] = Field(default_factory=list)

    @property
    def probes(self) -> list[ProbeModel]:
        """The probes of all devices that state some, in their order."""
        gauges = [model for model in self.device if not isinstance(model, EncoderModel)]
        return [probe for model in gauges for probe in model.probes]
