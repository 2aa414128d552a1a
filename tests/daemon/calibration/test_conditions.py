"""Whether a calibration belongs to how a station measures: what refuses, what warns, what is unknown."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.calibration.blocks import BLOCK, STEEL, noisy
from daemon.calibration.test_record import TIME
from daemon.calibration.test_record_versions import VERSION_1
from swathe.calibration import (
    BlockRecord,
    CalibrationRecord,
    ConditionsRecord,
    Difference,
    GaugeRecord,
    InstrumentRecord,
    ProbeKind,
    ProbeRecord,
    StationConditions,
    Weight,
    differences,
    new_record,
    parse_calibration_record,
    solve_steps,
    temperature_outside,
)
from swathe.display_units import INCHES
from swathe.echo import EchoSettings

PROBE = ProbeRecord(name="contact 5/6", serial="P-1", diameter_mm=6.35, frequency_MHz=5.0)
INSTRUMENT = InstrumentRecord(name="bench gauge", serial="G-3")
ECHO: dict[str, Any] = {
    "mode": "echo to echo",
    "time_of_flight": ["first", "second"],
    "interface": "interface",
    "band": {"centre": "5 MHz"},
    "gate": [
        {"name": "interface", "start": "0.2 us", "width": "1 us", "threshold": "30 %"},
        {
            "name": "first",
            "start": "1 us",
            "width": "6 us",
            "threshold": "30 %",
            "after": "interface",
            "measure": "peak",
        },
        {
            "name": "second",
            "start": "1 us",
            "width": "6 us",
            "threshold": "20 %",
            "after": "first",
            "measure": "flank",
            "polarity": "negative",
        },
    ],
}
WAVES = GaugeRecord(sends="A-scans", driver="frames", sample_interval_us=0.02, first_sample_us=0.0)
TIMES = GaugeRecord(
    sends="time of flight",
    driver="delimited",
    protocol={"columns": [{"is": "time_of_flight", "unit": "us", "min": 0}, {"is": "amplitude"}]},
)


def echo(change: Callable[[dict[str, Any]], object] = lambda _: None) -> dict[str, Any]:
    """Return the table [echo] as a record keeps it, changed as written in a station file."""
    table = copy.deepcopy(ECHO)
    change(table)
    return EchoSettings.model_validate(table).model_dump(mode="json")


def record(conditions: ConditionsRecord | None, **more: Any) -> CalibrationRecord:
    """Return a record that was measured so."""
    block = BlockRecord(name="five steps", serial="B-17", temperature_degC=21.0)
    keys: dict[str, Any] = {
        "time": TIME,
        "by": "A. Moen",
        "procedure": "UT-7",
        "material": "carbon steel",
        "block": block,
        "probe": PROBE,
        "couplant": "glycerine",
        "instrument": INSTRUMENT,
    }
    steps = noisy(STEEL, BLOCK, 0.004, 8, seed=1)
    result = solve_steps(steps, time_resolution_us=0.001)
    return new_record(result, conditions=conditions, **{**keys, **more})


def station(conditions: ConditionsRecord, **more: Any) -> StationConditions:
    """Return a station that measures as the record was made, but for what is given."""
    keys: dict[str, Any] = {
        "device": "gauge",
        "instrument": INSTRUMENT,
        "probe": PROBE,
        "couplant": "Glycerine",
        "operator": "A. Moen",
        "procedure": "UT-7",
    }
    return StationConditions(conditions=conditions, **{**keys, **more})


BY_GATES = ConditionsRecord(gauge=WAVES, echo=echo(), cable="2 m", instrument_settings="50 ohm")
BY_INSTRUMENT = ConditionsRecord(gauge=TIMES)


def weights(found: list[Difference]) -> list[tuple[str, Weight]]:
    """Return keys and weights."""
    return [(one.key, one.weight) for one in found]


def test_same_conditions_differ_in_nothing() -> None:
    """Of A-scans and of times from the instrument, whatever the case of what people type."""
    assert differences(record(BY_GATES), station(BY_GATES)) == []
    assert differences(record(BY_INSTRUMENT), station(BY_INSTRUMENT)) == []


def first_back_wall(table: dict[str, Any]) -> None:
    """Measure the first back wall."""
    table.update(mode="first back wall", time_of_flight="first")


def without_interface(table: dict[str, Any]) -> None:
    """Count from time zero."""
    del table["interface"], table["gate"][0]
    table["gate"][0].pop("after")


def of_gate(number: int, **keys: Any) -> Callable[[dict[str, Any]], object]:
    """Return what changes keys of a gate."""
    return lambda table: table["gate"][number].update(keys)


@pytest.mark.parametrize(
    ("change", "keys"),
    [
        (first_back_wall, ["echo.mode"]),
        (without_interface, ["echo.interface", "echo.gate[0].after"]),
        (lambda table: table.pop("band"), ["echo.band"]),
        (lambda table: table.update(band={"centre": "4 MHz"}), ["echo.band.centre"]),
        (
            lambda table: table.update(band={"centre": "5 MHz", "bandwidth": "80 %"}),
            ["echo.band.bandwidth"],
        ),
        (of_gate(1, measure="flank"), ["echo.gate[1].measure"]),
        (of_gate(1, measure="zero_crossing"), ["echo.gate[1].measure"]),
        (of_gate(1, polarity="negative"), ["echo.gate[1].polarity"]),
        (of_gate(0, polarity="negative"), ["echo.gate[0].polarity"]),
        (of_gate(2, threshold="25 %"), ["echo.gate[2].threshold"]),
        (of_gate(2, flank_level="50 %"), ["echo.gate[2].flank_level"]),
        (of_gate(1, after="zero"), ["echo.gate[1].after"]),
        (of_gate(1, start="7.1 us"), ["echo.gate[1].start"]),
        (
            lambda table: (table.pop("band"), table.update(rectified=True),
                           table["gate"][0].update(measure="peak"),
                           table["gate"][2].update(polarity="positive")),
            ["echo.rectified", "echo.band", "echo.gate[0].measure", "echo.gate[2].polarity"],
        ),
    ],
)  # fmt: skip
def test_echo_settings_that_move_the_measured_point_are_refused(
    change: Callable[[dict[str, Any]], object], keys: list[str]
) -> None:
    """Each is named by its key, in both directions, and nothing else is."""
    other = ConditionsRecord(gauge=WAVES, echo=echo(change), cable="2 m")
    found = differences(record(BY_GATES), station(other))
    assert sorted(weights(found)) == sorted((key, Weight.REFUSED) for key in keys)
    back = differences(record(other), station(BY_GATES))
    assert {one.weight for one in back} == {Weight.REFUSED}
    assert len(back) == len(keys)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (of_gate(1, width="5 us"), "echo.gate[1].width"),
        (of_gate(1, start="1.5 us"), "echo.gate[1].start"),
        (of_gate(1, threshold="35 %"), "echo.gate[1].threshold"),
        (of_gate(0, threshold="35 %"), "echo.gate[0].threshold"),
        (lambda table: table.update(saturation="99 %"), "echo.saturation"),
        (lambda table: table.update(allow_saturated=True), "echo.allow_saturated"),
    ],
)
def test_echo_settings_that_keep_the_measured_point_warn(
    change: Callable[[dict[str, Any]], object], key: str
) -> None:
    """Walls of the part differ from those of the block: gates may be moved for them."""
    other = BY_GATES.model_copy(update={"echo": echo(change)})
    assert weights(differences(record(BY_GATES), station(other))) == [(key, Weight.WARNED)]


def test_threshold_moves_no_flank_at_a_share_of_its_own_peak() -> None:
    """What is found is the same point of the echo, whatever found it."""
    made, stated = (
        BY_GATES.model_copy(update={"echo": echo(of_gate(2, flank_level="50 %", threshold=level))})
        for level in ("20 %", "25 %")
    )
    found = differences(record(made), station(stated))
    assert weights(found) == [("echo.gate[2].threshold", Weight.WARNED)]


def test_names_of_gates_and_gates_without_a_time_are_no_difference() -> None:
    """Only what a gate does for the time of flight counts."""

    def renamed(table: dict[str, Any]) -> None:
        table["gate"][1]["name"], table["gate"][2]["after"] = "wall", "wall"
        table["time_of_flight"] = ["wall", "second"]
        more = {"name": "third", "start": "9 us", "width": "1 us", "threshold": "50 %"}
        table["gate"].append(more)

    other = BY_GATES.model_copy(update={"echo": echo(renamed)})
    assert differences(record(BY_GATES), station(other)) == []


def test_setting_that_is_not_known_to_be_harmless_is_refused() -> None:
    """A key of a later version that both sides have refuses; one that only one side has is unknown."""
    before = BY_GATES.model_copy(update={"echo": {**echo(), "smoothing": 1.0}})
    now = BY_GATES.model_copy(update={"echo": {**echo(), "smoothing": 2.0}})
    assert weights(differences(record(before), station(now))) == [
        ("echo.smoothing", Weight.REFUSED)
    ]
    assert weights(differences(record(BY_GATES), station(now))) == [
        ("echo.smoothing", Weight.UNKNOWN)
    ]


@pytest.mark.parametrize(
    ("gauge", "keys"),
    [
        (TIMES, ["device.gauge", "echo"]),
        (WAVES.model_copy(update={"sample_interval_us": 0.01}), ["interval of its A-scans"]),
        (WAVES.model_copy(update={"first_sample_us": 1.0}), ["start of its A-scans"]),
    ],
)
def test_other_time_axis_or_other_values_are_refused(gauge: GaugeRecord, keys: list[str]) -> None:
    """Times that the instrument measures are others than those of gates."""
    table = None if gauge is TIMES else echo()
    other = ConditionsRecord(gauge=gauge, echo=table, cable="2 m")
    found = differences(record(BY_GATES), station(other))
    assert [one.key.removeprefix("device.gauge, ") for one in found] == keys
    assert {one.weight for one in found} == {Weight.REFUSED}


def test_times_of_flight_that_are_read_otherwise_are_refused() -> None:
    """The unit of the column counts; its limits and the other columns do not."""
    columns = [{"is": "time_of_flight", "unit": "us", "max": 50}, {"is": "status"}]
    limits = TIMES.model_copy(update={"protocol": {"columns": columns}})
    other = station(ConditionsRecord(gauge=limits))
    assert differences(record(BY_INSTRUMENT), other) == []
    columns = [{"is": "time_of_flight", "unit": "ns"}]
    unit = TIMES.model_copy(update={"protocol": {"columns": columns}})
    found = differences(record(BY_INSTRUMENT), station(ConditionsRecord(gauge=unit)))
    assert weights(found) == [("device.gauge.protocol", Weight.REFUSED)]
    driver = TIMES.model_copy(update={"driver": "lines"})
    found = differences(record(BY_INSTRUMENT), station(ConditionsRecord(gauge=driver)))
    assert weights(found) == [("device.gauge.driver", Weight.WARNED)]


def probe(**keys: Any) -> dict[str, Any]:
    """Return another probe."""
    return {"probe": ProbeRecord.model_validate({**PROBE.model_dump(), **keys})}


def instrument(name: str, serial: str) -> dict[str, Any]:
    """Return another instrument."""
    return {"instrument": InstrumentRecord(name=name, serial=serial)}


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (instrument("bench gauge", "G-4"), [("instrument.serial", Weight.REFUSED)]),
        (instrument("gauge on the bench", "G-3"), [("instrument.name", Weight.WARNED)]),
        (instrument("bench gauge", ""), [("instrument.serial", Weight.UNKNOWN)]),
        (
            instrument("field gauge", ""),
            [("instrument.serial", Weight.UNKNOWN), ("instrument.name", Weight.REFUSED)],
        ),
        (probe(serial="P-2"), [("probe.serial", Weight.REFUSED)]),
        (probe(name="CONTACT 5/6 "), []),
        (probe(name="contact"), [("probe.name", Weight.WARNED)]),
        (probe(serial=""), [("probe.serial", Weight.UNKNOWN)]),
        (probe(diameter_mm=12.7), [("probe.diameter", Weight.REFUSED)]),
        (probe(frequency_MHz=2.25), [("probe.frequency", Weight.REFUSED)]),
        (
            probe(kind=ProbeKind.DUAL, separation_mm=3.0),
            [("probe.kind", Weight.REFUSED), ("probe.separation", Weight.REFUSED)],
        ),
        ({"probe": None}, [("probe", Weight.UNKNOWN)]),
        ({"couplant": "water"}, [("calibration.couplant", Weight.WARNED)]),
        ({"couplant": ""}, []),
        ({"procedure": "UT-8"}, [("calibration.procedure", Weight.WARNED)]),
        ({"operator": "B. Lund"}, [("survey.operator", Weight.WARNED)]),
    ],
)
def test_individuals_refuse_and_texts_warn(
    change: dict[str, Any], found: list[tuple[str, Weight]]
) -> None:
    """By serial number; by name where no serial number shows that it is the same."""
    assert weights(differences(record(BY_GATES), station(BY_GATES, **change))) == found


@pytest.mark.parametrize(
    ("key", "named"),
    [("cable", "probe.cable"), ("instrument_settings", "instrument.settings")],
)
def test_cable_and_settings_of_the_instrument_warn(key: str, named: str) -> None:
    """Where both sides state them."""
    other = BY_GATES.model_copy(update={key: "another"})
    assert weights(differences(record(BY_GATES), station(other))) == [(named, Weight.WARNED)]
    unstated = BY_GATES.model_copy(update={key: ""})
    assert differences(record(BY_GATES), station(unstated)) == []


def test_record_of_version_1_differs_in_what_it_has_and_is_unknown_in_the_rest() -> None:
    """Its probe and instrument are compared as those of a newer one."""
    old = parse_calibration_record(VERSION_1, Path("old.json"))
    like_it = station(BY_GATES, instrument=old.instrument, probe=old.probe, procedure=old.procedure)
    assert weights(differences(old, like_it)) == [("echo", Weight.UNKNOWN)]
    other = station(BY_GATES, instrument=old.instrument, probe=PROBE, procedure=old.procedure)
    assert ("probe.serial", Weight.UNKNOWN) not in weights(differences(old, other))
    assert Weight.REFUSED in {one.weight for one in differences(old, other)}


def test_texts_name_both_sides_in_the_unit_of_the_reader() -> None:
    """A difference reads as a sentence; lengths are in the unit of the station file."""
    (found,) = differences(record(BY_GATES), station(BY_GATES, **probe(diameter_mm=12.7)))
    assert str(found) == (
        "probe.diameter: calibrated with 6.35 mm, the station has 12.7 mm (it is another probe)"
    )
    (found,) = differences(
        record(BY_GATES), station(BY_GATES, **probe(diameter_mm=12.7)), display=INCHES
    )
    assert "calibrated with 0.25 in, the station has 0.50 in" in str(found)
    other = BY_GATES.model_copy(update={"echo": echo(lambda table: table.pop("band"))})
    (found,) = differences(record(BY_GATES), station(other))
    assert (found.recorded, found.stated) == ("centre 5 MHz, bandwidth 120 %", "none")


def test_temperature_outside_its_validity_is_reported() -> None:
    """The limits belong to the range; what is not known is reported as such."""
    made = record(BY_GATES, temperature_validity=10.0)
    assert temperature_outside(made, 11.0) is None
    assert temperature_outside(made, 31.0) is None
    for celsius in (10.9, 31.1):
        found = temperature_outside(made, celsius)
        assert found == (f"the calibration applies from 11 to 31 °C, the part has {celsius} °C")
    assert "the part's temperature is unknown" in str(temperature_outside(made, None))
    assert "no temperature range is stated" in str(temperature_outside(record(BY_GATES), 21.0))
