"""The station file as typed settings: plan, devices, broker, storage.

Every field has its unit in its description; a length, time or velocity in the file is a string
with any unit. Checks across several tables are in ``check.py``, so that all problems of a file
can be reported at once.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints

from swathe.calibration import CalibrationRecord
from swathe.display_units import DisplayUnits
from swathe.echo import EchoSettings
from swathe.object_storage import checked_copy_url
from swathe.station.alarms import AlarmSettings
from swathe.station.areas import Chosen
from swathe.station.axis import Axis
from swathe.station.axis_names import AxisNames
from swathe.station.broker import BrokerSettings
from swathe.station.motion import MotionTable
from swathe.station.page import PageSettings
from swathe.station.probe_tables import ArrayProbeSettings, CarriageSettings
from swathe.station.quality import (
    BlockSettings,
    CalibrationSettings,
    CorrectionSettings,
    InstrumentSettings,
    ProbeSettings,
    UncertaintySettings,
    VerificationSettings,
)
from swathe.station.report_table import ReportSettings
from swathe.station.sensitivity import SensitivitySettings
from swathe.station.spots import SpotSettings, SpotsSettings
from swathe.station.table import PortTable, StationTable
from swathe.station.thickness_scale import PictureSettings
from swathe.units import Acceleration, Duration, Frequency, Length, Percent, Speed, duration_ns
from swathe_drivers import TalkSettings

__all__ = [
    "AUTO",
    "AxisMode",
    "AxisSettings",
    "BrokerSettings",
    "CellRule",
    "DeviceSettings",
    "ExclusionSettings",
    "IndexSettings",
    "LineAdvance",
    "MarkSettings",
    "PageSettings",
    "PlacingSettings",
    "SecondSettings",
    "Station",
    "StoreSettings",
    "SurveySettings",
    "WheelSettings",
]

SafeName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
"""A name that is safe as an MQTT topic level and as a file name."""


class AxisMode(StrEnum):
    """How the daemon learns the position on an axis."""

    ENCODED = "encoded"
    STEPPED = "stepped"
    WRAPPED = "wrapped"


class CellRule(StrEnum):
    """Which reading of a cell is kept."""

    MINIMUM = "minimum"
    MEAN = "mean"
    FIRST = "first"
    LAST = "last"
    STRONGEST = "strongest"


class LineAdvance(StrEnum):
    """What sets the next line of a stepped index axis."""

    COMMAND = "command"
    RETURN = "return"  # of the probe to the start of the scan axis
    EITHER_END = "either end"  # at which the probe turns


class WheelSettings(StationTable):
    """An encoder wheel, of which the counts per mm follow.

    ``counts_per_mm = pulses * edges / (pi * diameter)``: a turn rolls the circumference off.
    """

    diameter: Length = Field(gt=0, description="of the wheel's rolling face, mm")
    pulses: int = Field(gt=0, description="lines of the encoder's disc, periods a turn")
    edges: Literal[1, 2, 4] = Field(4, description="edges of a period that are counted")

    @property
    def counts_per_mm(self) -> float:
        """Counts per mm of travel."""
        return self.pulses * self.edges / (math.pi * self.diameter)


class SecondSettings(StationTable):
    """A second source of an axis's position: another encoder, or the motor's own counts.

    It places nothing; where it and the first one part, the wheel slips.
    """

    device: str
    counts: str | None = Field(None, description="name of the counts column; the axis's own name")
    counts_per_mm: float | None = Field(None, gt=0, allow_inf_nan=False)
    wheel: WheelSettings | None = Field(None, description="instead of counts_per_mm")
    reversed: bool = False
    tolerance: Length = Field(gt=0, description="by which both may part before it is a slip, mm")


class AxisSettings(AxisNames):
    """A scan or index axis: where its cells are and which counts give the position.

    ``position = zero_at + (counts - zero_count) / counts_per_mm``, with a minus when ``reversed``.
    """

    start: Length = Field(0.0, description="centre of the first cell, mm")
    length: Length = Field(gt=0, description="from the first cell's centre to the last's, mm")
    resolution: Length = Field(gt=0, description="width of a cell, mm")
    mode: AxisMode = AxisMode.ENCODED
    device: str | None = Field(None, description="device whose counts give the position")
    counts: str | None = Field(None, description="name of the counts column; the axis's own name")
    counts_per_mm: float | None = Field(None, gt=0, allow_inf_nan=False)
    wheel: WheelSettings | None = Field(None, description="instead of counts_per_mm")
    reversed: bool = Field(False, description="counts fall while the position rises")
    zero_count: float = Field(0.0, allow_inf_nan=False, description="counts at zero_at")
    zero_at: Length = Field(0.0, description="position at zero_count, mm")
    index_mark_at: Length | None = Field(None, description="position of the index mark, mm")
    backlash: Length = Field(
        0.0, ge=0, description="encoder travel without probe travel at a reversal, mm"
    )
    scale_uncertainty: Percent | None = Field(
        None, ge=0, lt=100, description="relative standard uncertainty of counts_per_mm or wheel, %"
    )
    max_speed: Speed | None = Field(
        None, gt=0, description="no probe is faster, mm/s; learnt from the motion by default"
    )
    max_acceleration: Acceleration | None = Field(None, gt=0, description="likewise, mm/s²")
    keeps_count: bool = Field(
        False, description="the counter keeps its count while its port is lost"
    )
    second: SecondSettings | None = None

    @property
    def scale(self) -> float:
        """Counts per mm, as given or by the wheel."""
        if self.wheel is not None:
            return self.wheel.counts_per_mm
        return self.counts_per_mm or 1.0


class IndexSettings(AxisSettings):
    """The index axis; on a stepped one, what sets the next line."""

    advance: LineAdvance = LineAdvance.COMMAND


class ExclusionSettings(StationTable):
    """A rectangle that the plan does not ask for, such as an obstruction; borders in mm."""

    name: str = Field(min_length=1, max_length=80)
    scan: tuple[Length, Length]
    index: tuple[Length, Length] | None = None


class MarkSettings(StationTable):
    """A named mark on the part, such as a weld: where a probe that is put there is."""

    name: str = Field(min_length=1, max_length=80)
    scan: Length | None = Field(None, description="where it is on the scan axis, mm")
    index: Length | None = Field(None, description="where it is on the index axis, mm")


AUTO = "auto"
"""The delay of a device that the survey itself measures."""


def _delay(value: object) -> int | str | None:
    if value is None or value == AUTO:
        return value
    try:
        delay = duration_ns(value)
    except ValueError as error:
        message = f"{error}, or '{AUTO}'"
        raise ValueError(message) from error
    if delay < 0:
        message = "must be >= 0"
        raise ValueError(message)
    return delay


class DeviceSettings(PortTable):
    """A device on a port: which driver reads it, and its delay."""

    driver: SafeName = "delimited"
    description: str | None = Field(
        None, description="file with driver and protocol; relative to the station file"
    )
    delay: Annotated[int | Literal["auto"] | None, BeforeValidator(_delay)] = Field(
        None,
        description="from the event to its first byte, ns; auto: the survey measures it; unknown "
        "without one, and 0 is applied",
    )
    delay_uncertainty: Duration | None = Field(
        None, ge=0, description="standard uncertainty of a delay that is given, ns"
    )
    on_change: bool = Field(False, description="an encoder that is silent at rest")
    triggered: bool = Field(
        False, description="makes a record when something triggers it, not at a steady rate"
    )
    rate: Frequency | None = Field(
        None, gt=0, description="of records without time or number, if it is steady, MHz"
    )
    protocol: dict[str, Any] = Field(default_factory=dict, description="the driver's own settings")
    talk: TalkSettings | None = Field(None, description="what is said to the device, and when")

    @property
    def delay_given(self) -> int:
        """Delay that the station file gives, ns; 0 where it is measured or unknown."""
        return self.delay if isinstance(self.delay, int) else 0


class SurveySettings(StationTable):
    """What is surveyed, where it is kept, and when it is done."""

    folder: str = Field(min_length=1, description="survey folder; relative to the station file")
    part: str = ""
    operator: str = ""
    nominal_thickness: Length | None = Field(None, gt=0)
    alert_below: Length | None = Field(None, gt=0)
    thickness_limits: tuple[Length, Length] | None = Field(
        None,
        description="thinnest and thickest wall that the part can have, mm: a reading beyond counts "
        "as no echo; by default none is too thin, and the thickest follows from the plan",
    )
    cell_rule: CellRule = CellRule.MINIMUM
    hits_per_cell: float = Field(1.0, gt=0, description="wanted; sets the highest scan speed")
    target_coverage: Percent = Field(100.0, gt=0, le=100)


class PlacingSettings(StationTable):
    """Limits of placing a reading between two encoder samples."""

    bracket: Duration = Field(250_000_000, gt=0, description="widest pair of samples, ns")
    lateness: Duration = Field(
        100_000_000, gt=0, description="maximum time from reading to arrival, ns"
    )


class StoreSettings(StationTable):
    """Chunks of the zarr arrays and how often they are brought up to date."""

    chunk_scan: int = Field(256, ge=1, le=65_536)
    chunk_index: int = Field(64, ge=1, le=65_536)
    checkpoint: Duration = Field(2_000_000_000, ge=100_000_000)
    waveforms: bool = Field(False, description="whether a cell keeps the A-scan of its reading")
    copy_to: Annotated[str, AfterValidator(checked_copy_url)] | None = Field(
        None, description="s3://BUCKET/PREFIX or file:///FOLDER: below it surveys are copied"
    )
    copy_interval: Duration = Field(
        10_000_000_000, ge=500_000_000, description="from copying what is new to the next time, ns"
    )
    copy_patience: Duration = Field(
        60_000_000_000, ge=0, description="that a run's end waits for a storage that is away, ns"
    )
    copy_late: Duration = Field(
        300_000_000_000,
        gt=0,
        description="that a copy may be behind before that is an alarm, ns; three intervals at least",
    )


class Station(StationTable):
    """A whole station file, and the calibration record that it names."""

    name: SafeName
    units: Literal["mm", "in"] = Field(
        "mm",
        description="unit of lengths in what a person reads and types: texts, pictures, prompts",
    )
    include: str | None = Field(
        None, min_length=1, description="file with tables that other station files share"
    )
    area: dict[SafeName, dict[str, Any]] = Field(
        {}, description="areas to scan: tables that hold instead of those outside, key by key"
    )
    survey: SurveySettings
    scan: AxisSettings
    index: IndexSettings | None = None
    spots: SpotsSettings | None = Field(None, description="instead of scan and index")
    exclude: tuple[ExclusionSettings, ...] = ()
    mark: tuple[MarkSettings, ...] = ()
    device: dict[SafeName, DeviceSettings] = Field(min_length=1)
    block: BlockSettings | None = None
    instrument: InstrumentSettings = InstrumentSettings()
    calibration: CalibrationSettings | None = None
    corrections: CorrectionSettings = CorrectionSettings()
    verification: VerificationSettings | None = None
    sensitivity: SensitivitySettings | None = None
    uncertainty: UncertaintySettings = UncertaintySettings()
    probe: ProbeSettings | None = None
    carriage: CarriageSettings | None = None
    echo: EchoSettings | None = None
    placing: PlacingSettings = PlacingSettings()
    broker: BrokerSettings | None = None
    alarms: AlarmSettings = AlarmSettings()
    page: PageSettings | None = None
    picture: PictureSettings = PictureSettings()
    report: ReportSettings = ReportSettings()
    motion: MotionTable | None = None
    store: StoreSettings = StoreSettings()
    record: CalibrationRecord | None = Field(
        None, exclude=True, description="that calibration.file names; not a table of the file"
    )
    probes: tuple[ArrayProbeSettings, ...] = Field(
        (), exclude=True, description="entries of [[probe]], in place of the table [probe]"
    )
    probe_records: dict[str, CalibrationRecord] = Field(
        {}, exclude=True, description="that entries of [[probe]] name, by that name"
    )
    descriptions: dict[str, str] = Field(
        {}, exclude=True, description="texts that device.NAME.description names, by that name"
    )
    chosen: Chosen = Field(
        Chosen(), exclude=True, description="for the run, in addition to the file"
    )
    spot_file: str | None = Field(None, exclude=True, description="text that spots.file names")
    spot_list: tuple[SpotSettings, ...] = Field(
        (), exclude=True, description="the spots, wherever they are listed"
    )

    @property
    def display(self) -> DisplayUnits:
        """How lengths are written for a person."""
        return DisplayUnits(self.units)

    @property
    def scan_axis(self) -> Axis:
        """The scan axis of the grid."""
        return _axis("scan", self.scan)

    @property
    def index_axis(self) -> Axis:
        """The index axis of the grid; a line profile has one cell at 0 mm."""
        if self.index is None:
            return Axis(name="index", start=0.0, resolution=1.0, cells=1)
        return _axis("index", self.index)

    @property
    def index_encoded(self) -> bool:
        """Whether an encoder gives the index position; False for a line profile."""
        return self.index is not None and self.index.mode is not AxisMode.STEPPED

    @property
    def shape(self) -> tuple[int, int]:
        """Grid shape (index cells, scan cells)."""
        return self.index_axis.cells, self.scan_axis.cells


def _axis(name: str, settings: AxisSettings) -> Axis:
    return Axis.over(
        name=name,
        start=settings.start,
        length=settings.length,
        resolution=settings.resolution,
        wrapped=settings.mode is AxisMode.WRAPPED,
    )
