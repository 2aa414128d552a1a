"""What differs between the station files of two runs of a survey, and what that means.

The journal keeps the station file of each run, and each run's bytes are read by its own. What
decides where a reading belongs and what its bytes mean is refused without a stated reason; the
rest is listed in the survey's record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from swathe.station.axis import Axis
from swathe.station.axis_names import AxisNames
from swathe.station.devices import axis_source
from swathe.station.model import AxisSettings, Station
from swathe.station.probes import probes_of

__all__ = ["StationChange", "changes_between", "extends", "in_plan_of"]

# The grid and the zones are compared as the plan; where the parts are kept is no part of a result.
_PLAN = ("start", "length", "resolution", "mode")
# How an axis and its ends are called.
_WORDS = tuple(AxisNames.model_fields)
# Of an axis: limits and statements that move no reading by themselves.
_ASIDE = ("scale_uncertainty", "max_speed", "max_acceleration")
_COMPARED = (
    "survey",
    "scan",
    "index",
    "device",
    "placing",
    "calibration",
    "corrections",
    "uncertainty",
    "probe",
    "probes",
    "carriage",
    "instrument",
    "echo",
    "verification",
    "sensitivity",
    "block",
    "mark",
    "spots",
    "motion",
)
_NOT_COMPARED = ("folder", "operator", "part", "cell_rule")
# Of a device, with its description file in place: what its bytes mean, not through what they come.
_DECODING = ("driver", "protocol", "on_change", "triggered", "rate")
_TIMING = ("delay", "delay_uncertainty", "talk")
# Of one of several probes: which readings are its own, and where it is.
_OF_PROBE = ("device", "input", "scan", "index", "delay")
_NOT_GIVEN = "not given"
_MOST_CHARACTERS = 60


@dataclass(frozen=True, slots=True)
class StationChange:
    """A key of which the value differs; lengths are in mm, times of devices in ns.

    Attributes:
        key: with its tables, such as ``scan.counts_per_mm``.
        before: value in the earlier run, as text.
        now: value in the later run, as text.
        decisive: whether it decides where readings belong or what the bytes of a device mean.
    """

    key: str
    before: str
    now: str
    decisive: bool

    def __str__(self) -> str:
        return f"{self.key} was {self.before} and is {self.now}"


def changes_between(before: Station, now: Station) -> list[StationChange]:
    """Return what differs in the stations of two runs of one survey, in the order of the tables.

    Left out are the plan (grid, zones, cell rule, part), ports, and all that shows or publishes.
    """
    decisive = _decisive_devices(before) | _decisive_devices(now)
    values = [dict(_values(station)) for station in (before, now)]
    keys = list(dict.fromkeys([*values[0], *values[1]]))
    return [
        StationChange(key, _text(old), _text(new), _is_decisive(key, decisive))
        for key in keys
        if (old := values[0].get(key)) != (new := values[1].get(key))
    ]


def extends(plan: Station, now: Station) -> bool:
    """Return whether a station's grid is that of the plan or continues it beyond its far ends.

    The cells of the plan keep their numbers: start and resolution of both axes are the same, no
    axis is shorter, and one that is longer is no circumference.
    """
    pairs = ((plan.scan_axis, now.scan_axis), (plan.index_axis, now.index_axis))
    return all(_continues(before, after) for before, after in pairs)


def in_plan_of(plan: Station, station: Station) -> Station:
    """Return a run's station with the grid and the zones of the survey's plan."""
    if station is plan:
        return plan
    tables: dict[str, Any] = {"exclude": plan.exclude}
    if station.spots is None:
        tables["scan"] = station.scan.model_copy(update={"length": plan.scan.length})
        if station.index is not None and plan.index is not None:
            tables["index"] = station.index.model_copy(update={"length": plan.index.length})
    return station.model_copy(update=tables)


def _continues(before: Axis, after: Axis) -> bool:
    if before == after:
        return True
    same = (before.start, before.resolution, before.wrapped) == (
        after.start,
        after.resolution,
        after.wrapped,
    )
    return same and not before.wrapped and after.cells >= before.cells


def _decisive_devices(station: Station) -> set[str]:
    """Return the devices that give positions or readings."""
    axes = [("scan", station.scan), ("index", station.index)]
    names = {axis_source(name, axis)[0] for name, axis in axes if axis is not None}
    names |= {
        axis.second.device for _, axis in axes if axis is not None and axis.second is not None
    }
    heading = None if station.carriage is None else station.carriage.heading
    names |= set() if heading is None else {heading.device}
    return (names | set(probes_of(station).devices())) - {""}


def _is_decisive(key: str, devices: set[str]) -> bool:
    table, _, rest = key.partition(".")
    if table in ("scan", "index"):
        return rest not in _ASIDE
    if table == "device":
        name, _, rest = rest.partition(".")
        return name in devices and rest.split(".")[0].split("[")[0] in _DECODING
    if table.startswith("probe["):
        return rest in _OF_PROBE
    return table == "carriage" and rest.startswith("heading")


def _values(station: Station) -> Iterator[tuple[str, Any]]:
    """Yield each key that is compared, with its value."""
    for table in _COMPARED:
        settings = getattr(station, table)
        if settings is None:
            continue
        if table in ("scan", "index"):
            yield from _axis_values(table, settings)
        elif table == "device":
            for name, device in settings.items():
                dumped = device.model_dump(mode="json", include={*_DECODING, *_TIMING})
                yield from _flat(f"device.{name}", dumped)
        elif table == "probes":
            yield from _flat("probe", [one.model_dump(mode="json") for one in settings])
        elif table == "carriage":
            # What holds for each probe is in its own keys.
            yield from _flat(table, settings.model_dump(mode="json", exclude={"each"}))
        elif isinstance(settings, tuple):
            yield from _flat(table, [one.model_dump(mode="json") for one in settings])
        else:
            excluded = set(_NOT_COMPARED) if table == "survey" else None
            yield from _flat(table, settings.model_dump(mode="json", exclude=excluded))
    if station.record is not None:
        record = station.record
        yield "calibration.record", f"{record.id} of {record.time:%Y-%m-%d %H:%M}"


def _axis_values(name: str, axis: AxisSettings) -> Iterator[tuple[str, Any]]:
    """Yield what places readings; a wheel and the counts per mm that follow from it are equal."""
    left_out = {*_PLAN, *_WORDS, "counts_per_mm", "wheel"}
    yield from _flat(name, axis.model_dump(mode="json", exclude=left_out))
    if axis.device is not None:
        yield f"{name}.counts_per_mm", axis.scale


def _flat(key: str, value: object) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _flat(f"{key}.{name}", inner)
    elif isinstance(value, list) and any(isinstance(one, dict | list) for one in value):
        for number, inner in enumerate(value, 1):
            yield from _flat(f"{key}[{number}]", inner)
    elif value is not None:
        yield key, value


def _text(value: object) -> str:
    if value is None:
        return _NOT_GIVEN
    text = f"{value:.9g}" if isinstance(value, float) else str(value)
    first = text.splitlines()[0] if text else "''"
    cut = first[:_MOST_CHARACTERS]
    return cut if cut == text or not text else f"{cut} ..."
