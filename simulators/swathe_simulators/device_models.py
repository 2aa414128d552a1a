"""Settings of a device in a scenario file, as pydantic models."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from swathe_simulators.base import DeviceName, Finite, NotNegative, Positive, ScenarioModel
from swathe_simulators.probe_models import (
    MOST_PROBES,
    HeadingCounterModel,
    ManyProbes,
    ProbeModel,
)

BLOCK_BYTES = 0xFFFF - 7
"""Greatest size of the samples of a block: its 16-bit length counts clock, sequence and status too."""


class PortModel(ScenarioModel):
    """Where a device is plugged in."""

    kind: Literal["pty", "tcp"] = "pty"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    baud: Annotated[int, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _baud_of_a_pty(self) -> Self:
        if self.kind == "pty" and self.baud is None:
            raise ValueError("must give baud when kind is pty")
        return self


class ClockModel(ScenarioModel):
    """A device's own clock: unsigned microseconds."""

    offset_us: Annotated[int, Field(ge=0)] = 0
    skew_ppm: Annotated[float, Field(gt=-1e5, lt=1e5, allow_inf_nan=False)] = 0.0
    wrap_bits: Annotated[int, Field(ge=16, le=64)] | None = None


def _clock_tag(value: object) -> str:
    return "absent" if value is False else "ticking"


MaybeClock = Annotated[
    Annotated[ClockModel, Tag("ticking")] | Annotated[Literal[False], Tag("absent")],
    Discriminator(_clock_tag),
]
"""A clock, or false: then lines have no clock column."""


class LatencyModel(ScenarioModel):
    """How long a line takes to reach the host, apart from its transmission."""

    delay_ms: NotNegative = 0.0
    jitter_ms: NotNegative = 0.0
    shape: Literal["exponential", "gamma"] = "gamma"


class DeviceModel(ScenarioModel):
    """What every device has."""

    name: DeviceName
    rate_hz: Positive
    sampling_jitter_us: NotNegative = 0.0
    clock: MaybeClock = ClockModel()
    latency: LatencyModel = LatencyModel()
    port: PortModel


class AxisModel(ScenarioModel):
    """One encoded axis, in counts after quadrature."""

    axis: Literal["scan", "index"]
    counts_per_mm: Positive
    sign: Literal[-1, 1] = 1
    preset: int = 0


class CountsModel(ScenarioModel):
    """What a counter of positions has."""

    axes: Annotated[list[AxisModel], Field(min_length=1, max_length=2)]
    bits: Literal[16, 24, 32] | None = None
    heading: HeadingCounterModel | None = None

    @model_validator(mode="after")
    def _axes_in_order(self) -> Self:
        if [axis.axis for axis in self.axes] not in (["scan"], ["scan", "index"]):
            raise ValueError("must have the axes scan, or scan and index in this order")
        return self


class WaveformModel(ScenarioModel):
    """What an instrument that sends A-scans has; see `echoes` for the physics.

    The A-scan begins `start_us` after the transmitted pulse. `interface_us` is the time of
    flight of a delay line or a water path; without it there is no interface echo.
    """

    frequency_mhz: Positive
    bandwidth: Annotated[float, Field(gt=0, le=2)] = 0.6
    phase_deg: Finite = 0.0
    sampling_mhz: Positive
    samples: Annotated[int, Field(ge=16)]
    start_us: Finite = 0.0
    bits: Literal[8, 16] = 16
    byte_order: Literal["big", "little"] = "big"
    full_scale_percent: Positive = 100.0
    noise_percent: NotNegative = 1.0
    back_walls: Annotated[int, Field(ge=0, le=100)] = 3
    attenuation: Annotated[float, Field(ge=0, le=1)] = 0.6
    interface_us: NotNegative | None = None
    interface_percent: Finite = 90.0

    @model_validator(mode="after")
    def _as_sampled(self) -> Self:
        if self.sampling_mhz <= 2 * self.frequency_mhz:
            raise ValueError("must have sampling_mhz > 2 · frequency_mhz")
        most = BLOCK_BYTES * 8 // self.bits
        if self.samples > most:
            raise ValueError(f"must have samples <= {most}, as the length of a block is 16 bits")
        return self


class EchoModel(ScenarioModel):
    """What a thickness instrument has.

    With the value `waveform` it sends A-scans, in blocks instead of lines. Then
    `amplitude_percent` and its noise are those of the first back wall's echo; the noise of
    value and floor is left out, as an A-scan has its own.

    Without `probes` it has one, at the carriage's datum. With several, `sends` is how a reading
    shows its probe: by `input` and in `turns` one reading a line, of one probe after the other; as
    `values` of a line and in a binary `frame` those of all probes at one time.
    """

    value: Literal["time_of_flight", "thickness", "waveform"] = "time_of_flight"
    waveform: WaveformModel | None = None
    zero_offset_us: NotNegative = 0.0
    noise_us: NotNegative = 0.0
    noise_mm: NotNegative = 0.0
    amplitude_percent: Annotated[float, Field(gt=0, le=200)] = 82.0
    amplitude_noise_percent: NotNegative = 3.0
    floor_percent: NotNegative = 4.0
    probes: Annotated[list[ProbeModel], Field(max_length=MOST_PROBES)] = Field(default_factory=list)
    sends: ManyProbes | None = None

    @model_validator(mode="after")
    def _probes_distinct(self) -> Self:
        if len(self.probes) > 1 and self.sends is None:
            raise ValueError("must give sends, as there are several probes")
        if self.sends is not None and not self.probes:
            raise ValueError("must leave sends out without probes")
        if self.value == "waveform" and self.sends is not None:
            raise ValueError("must have one probe when value is waveform, and no sends")
        if len({probe.input for probe in self.probes}) < len(self.probes):
            raise ValueError("must have probes at different inputs")
        return self

    @property
    def at_once(self) -> int:
        """Readings of one line or frame."""
        return len(self.probes) if self.sends in ("values", "frame") else 1

    @model_validator(mode="after")
    def _waveform_with_its_value(self) -> Self:
        if self.value == "waveform" and self.waveform is None:
            raise ValueError("must give waveform when value is waveform")
        if self.value != "waveform" and self.waveform is not None:
            raise ValueError("must leave waveform out, or have waveform as its value")
        return self


class EncoderModel(DeviceModel, CountsModel):
    """An encoder counter that sends positions."""

    kind: Literal["encoder"]


class GaugeModel(DeviceModel, EchoModel):
    """A thickness instrument that sends readings."""

    kind: Literal["gauge"]

    @model_validator(mode="after")
    def _clock_of_a_block(self) -> Self:
        if self.value == "waveform" and (self.clock is False or (self.clock.wrap_bits or 32) > 32):
            raise ValueError("must have a clock of wrap_bits <= 32 when value is waveform")
        return self

    @model_validator(mode="after")
    def _clock_of_a_frame(self) -> Self:
        _check_clock_of_a_frame(self, self.sends)
        return self


class CombinedModel(DeviceModel, CountsModel, EchoModel):
    """An instrument with encoder inputs: position and reading in one line."""

    kind: Literal["combined"]

    @model_validator(mode="after")
    def _lines_only(self) -> Self:
        if self.value == "waveform":
            raise ValueError("must have no waveform as its value, as a block has no counts")
        return self

    @model_validator(mode="after")
    def _clock_of_a_frame(self) -> Self:
        _check_clock_of_a_frame(self, self.sends)
        return self


def _check_clock_of_a_frame(model: DeviceModel, sends: ManyProbes | None) -> None:
    """Raise where a model's frames cannot hold its clock."""
    if sends == "frame" and (model.clock is False or (model.clock.wrap_bits or 32) > 32):
        raise ValueError("must have a clock of wrap_bits <= 32 when sends is frame")
