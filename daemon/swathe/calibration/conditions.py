"""Whether a calibration belongs to how a station measures: named differences between both.

What is compared, and what a difference means:

- refused, because the time of flight or the wall made of it is another one: what the gauge sends
  and the meaning of its times, the evaluation of A-scans (see `echo_conditions`), another
  instrument or probe by its serial number (delay of the probe, pulse and electronics are those of
  the individual), another size, frequency or separation of its elements;
- warned of, because it may add some hundredths of a mm that no record has: couplant, cable,
  settings of the instrument as the operator writes them, operator, procedure, name of a probe or
  an instrument whose serial number is the same;
- unknown, because one side does not state it: that is reported, never guessed.

Not compared is the block: readings on the part do not touch it, and a check on another block is
the better one. Temperature and range have functions of their own, since they are limits rather
than settings.

ISO 16809 and ASTM E797 have the calibration repeated after a change of probe, couplant, cable or
settings of the instrument (from memory, the texts were not at hand). Couplant and cable only warn
here, because most records state them as free text; the procedure decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from swathe.calibration.conditions_record import ConditionsRecord, GaugeRecord
from swathe.calibration.differences import Difference, Weight, same_value, value_text
from swathe.calibration.echo_conditions import echo_differences
from swathe.calibration.record import CalibrationRecord, InstrumentRecord, ProbeRecord
from swathe.display_units import MILLIMETRES, DisplayUnits

__all__ = ["StationConditions", "differences", "temperature_outside"]

_INDIVIDUAL = "delay and pulse are those of the individual"
_SPREAD = "it may change the time by some hundredths of a µs"
_VALUE = "time_of_flight"
# What these say of a column is what its number means; the rest is where it is and which records count.
_MEANING = ("unit", "scale", "offset", "register")


@dataclass(frozen=True, slots=True, kw_only=True)
class StationConditions:
    """How a station measures.

    Attributes:
        conditions: gauge, evaluation of A-scans, cable and settings of the instrument.
        device: name of the gauge in the station file.
        instrument: name and serial number, which may be empty.
        probe: None where the station file has none.
        couplant: may be empty.
        operator: who scans; may be empty.
        procedure: may be empty.
    """

    conditions: ConditionsRecord
    device: str
    instrument: InstrumentRecord
    probe: ProbeRecord | None
    couplant: str = ""
    operator: str = ""
    procedure: str = ""


def differences(
    record: CalibrationRecord, station: StationConditions, *, display: DisplayUnits = MILLIMETRES
) -> list[Difference]:
    """Return in what a calibration was measured otherwise than a station measures.

    Args:
        record: the calibration.
        station: how the station measures.
        display: unit of lengths in the texts.
    """
    return [
        *_of_measurement(record.conditions, station),
        *_of_individual("instrument", record.instrument, station.instrument),
        *_of_probe(record.probe, station.probe, display),
        *_of_texts(record, station),
    ]


def _of_measurement(
    recorded: ConditionsRecord | None, station: StationConditions
) -> Iterator[Difference]:
    """Yield the differences in what the gauge sends and in how its A-scans are measured."""
    if recorded is None:
        yield Difference(
            key="echo",
            recorded="settings that are unknown",
            stated="those of the station file",
            weight=Weight.UNKNOWN,
            why="the record does not have how it was measured: calibrate again to have it",
        )
        return
    stated, key = station.conditions, f"device.{station.device}"
    if recorded.gauge.sends != stated.gauge.sends:
        why = "the time of flight is another one"
        yield _difference(key, recorded.gauge.sends, stated.gauge.sends, Weight.REFUSED, why)
    else:
        yield from _of_gauge(key, recorded.gauge, stated.gauge)
    yield from echo_differences(recorded.echo, stated.echo)


def _of_gauge(key: str, recorded: GaugeRecord, stated: GaugeRecord) -> Iterator[Difference]:
    for name, one, other in (
        ("interval of its A-scans", recorded.sample_interval_us, stated.sample_interval_us),
        ("start of its A-scans", recorded.first_sample_us, stated.first_sample_us),
    ):
        if one is not None and other is not None and not same_value(one, other):
            texts = value_text(one, "µs"), value_text(other, "µs")
            yield _difference(f"{key}, {name}", *texts, Weight.REFUSED, "its time axis is another")
    if recorded.driver != stated.driver:
        texts = repr(recorded.driver), repr(stated.driver)
        yield _difference(f"{key}.driver", *texts, Weight.WARNED, "its bytes are read otherwise")
    elif not same_value(before := _times(recorded.protocol), now := _times(stated.protocol)):
        why = "its times of flight are read otherwise"
        yield _difference(f"{key}.protocol", str(before), str(now), Weight.REFUSED, why)


def _times(protocol: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what the columns or fields of a protocol that hold times of flight mean."""
    found: list[dict[str, Any]] = []
    waiting: list[Any] = [protocol]
    while waiting:
        value = waiting.pop(0)
        if isinstance(value, Mapping):
            if value.get("is") == _VALUE:
                found.append({key: value[key] for key in _MEANING if key in value})
            waiting += value.values()
        elif isinstance(value, list | tuple):
            waiting += value
    return found


def _of_individual(
    key: str, recorded: InstrumentRecord | ProbeRecord, stated: InstrumentRecord | ProbeRecord
) -> Iterator[Difference]:
    """Yield whether an instrument or a probe is another one: by its serial number, or by its name."""
    serials = bool(recorded.serial and stated.serial)
    for name in ("serial", "name"):
        one, other = getattr(recorded, name), getattr(stated, name)
        if same_value(one, other):
            continue
        if not (one and other):
            why = "whether it is the same one is not known"
            yield _difference(f"{key}.{name}", value_text(one), value_text(other), Weight.UNKNOWN, why)  # fmt: skip
            continue
        same = name == "name" and serials and same_value(recorded.serial, stated.serial)
        weight = Weight.WARNED if same else Weight.REFUSED
        why = "the serial number is the same" if same else _INDIVIDUAL
        yield _difference(f"{key}.{name}", value_text(one), value_text(other), weight, why)


def _of_probe(
    recorded: ProbeRecord, stated: ProbeRecord | None, display: DisplayUnits
) -> Iterator[Difference]:
    if stated is None:
        why = "whether it is the same one is not known"
        name = value_text(recorded.serial or recorded.name)
        yield _difference("probe", name, "no table [probe]", Weight.UNKNOWN, why)
        return
    yield from _of_individual("probe", recorded, stated)
    length = display.stated_text
    for key, one, other, texts in (
        ("kind", recorded.kind, stated.kind, (str(recorded.kind), str(stated.kind))),
        (
            "diameter",
            recorded.diameter_mm,
            stated.diameter_mm,
            (length(recorded.diameter_mm), length(stated.diameter_mm)),
        ),
        (
            "frequency",
            recorded.frequency_MHz,
            stated.frequency_MHz,
            (f"{recorded.frequency_MHz:g} MHz", f"{stated.frequency_MHz:g} MHz"),
        ),
        (
            "separation",
            recorded.separation_mm,
            stated.separation_mm,
            (length(recorded.separation_mm), length(stated.separation_mm)),
        ),
    ):
        if not same_value(one, other):
            yield _difference(f"probe.{key}", *texts, Weight.REFUSED, "it is another probe")


def _of_texts(record: CalibrationRecord, station: StationConditions) -> Iterator[Difference]:
    """Yield what people write down; only what both sides state can differ."""
    recorded, stated = record.conditions, station.conditions
    for key, one, other in (
        ("calibration.couplant", record.couplant, station.couplant),
        ("probe.cable", recorded.cable if recorded else "", stated.cable),
        (
            "instrument.settings",
            recorded.instrument_settings if recorded else "",
            stated.instrument_settings,
        ),
        ("calibration.procedure", record.procedure, station.procedure),
        ("survey.operator", record.by, station.operator),
    ):
        if one and other and not same_value(one, other):
            why = "" if key in ("calibration.procedure", "survey.operator") else _SPREAD
            yield _difference(key, value_text(one), value_text(other), Weight.WARNED, why)


def _difference(key: str, recorded: str, stated: str, weight: Weight, why: str) -> Difference:
    return Difference(key=key, recorded=recorded, stated=stated, weight=weight, why=why)


def temperature_outside(record: CalibrationRecord, part_celsius: float | None) -> str | None:
    """Return whether a part is too warm or too cold for a calibration, as text; None if it is not.

    Args:
        record: the calibration.
        part_celsius: temperature of the part, degC; None where it is not known.
    """
    if record.temperature_range_degC is None:
        return "no temperature range is stated: whether the part is too warm or too cold is unknown"
    low, high = record.temperature_range_degC
    valid = f"the calibration applies from {low:g} to {high:g} °C"
    if part_celsius is None:
        return f"{valid}, the part's temperature is unknown"
    if low <= part_celsius <= high:
        return None
    return f"{valid}, the part has {part_celsius:g} °C"
