"""Settings of a commanded crawler in a scenario file."""

from __future__ import annotations

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
from swathe_simulators.device_models import PortModel

Probability = Annotated[float, Field(ge=0, le=1)]


class ZoneModel(ScenarioModel):
    """A rectangle that the crawler must not enter; entering is recorded, not prevented."""

    scan_mm: Interval
    index_mm: Interval


class MishapModel(ScenarioModel):
    """What goes wrong by chance, drawn once for each move or each answer."""

    slip: Probability = 0.0
    """Of a move: the wheels slip, so that the crawler goes less far than its motors."""
    slip_share: Annotated[float, Field(gt=0, lt=1)] = 0.2
    """Share of the distance that is lost then."""
    stall: Probability = 0.0
    """Of a move: it gets stuck, and its motors do not notice."""
    restart_in_move: Annotated[int, Field(ge=1)] | None = None
    """Number of the move in whose middle the controller restarts without a greeting, from 1."""
    lost_acknowledgement: Probability = 0.0
    """Of an acknowledgement: it never leaves the crawler."""
    garbage: Probability = 0.0
    """Of an answer: random bytes come before it, on its line or on one of their own."""


class CommandedModel(ScenarioModel):
    """A crawler that carries out commands from its port, and rests otherwise."""

    kind: Literal["commanded"]
    name: DeviceName = "crawler"
    port: PortModel
    start_scan_mm: Finite
    start_index_mm: Finite
    scan_limits_mm: Interval
    """Where the rails end; driving to there is a crash."""
    index_limits_mm: Interval
    scan_home_mm: Finite
    index_home_mm: Finite
    speed_mm_per_s: Positive
    acceleration_mm_per_s2: Positive
    index_speed_mm_per_s: Positive
    index_acceleration_mm_per_s2: Positive
    stop_deceleration_mm_per_s2: Positive
    homing_speed_mm_per_s: Positive
    units: Literal["mm", "inch"] = "mm"
    """Of its words and reports when it is switched on, until G21 or G20."""
    index_word: Literal["Y", "A"] = "Y"
    index_units_per_mm: Positive = 1.0
    """Of the index word: 1 for mm; 360 / circumference for degrees around."""
    buffer: Annotated[int, Field(ge=0, le=64)] = 2
    """Moves that are taken ahead; 0 acknowledges a move when it is over."""
    needs_homing: bool = False
    stop_latches: bool = True
    """After a stop it moves only when its drives have been switched on again."""
    halt_on_hang_up: bool = True
    """It stops when its port loses its listener."""
    answer_delay_ms: NotNegative = 1.0
    zones: list[ZoneModel] = Field(default_factory=list)
    mishap: MishapModel = MishapModel()
    index_start_mm: Finite = 0.0
    index_step_mm: Positive = 10.0
    index_count: Annotated[int, Field(ge=1)] = 1

    @model_validator(mode="after")
    def _inside(self) -> Self:
        for axis, limits in (("scan", self.scan_limits_mm), ("index", self.index_limits_mm)):
            for what in ("start", "home"):
                name = f"{what}_{axis}_mm" if what == "start" else f"{axis}_{what}_mm"
                position: float = getattr(self, name)
                if not limits[0] <= position <= limits[1]:
                    raise ValueError(f"must have {name} within {axis}_limits_mm (got {position:g})")
        return self
