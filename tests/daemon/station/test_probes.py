"""`[[probe]]`: where the probes of a carriage are, and what is refused of their entries."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from daemon.handmade import INDEX_ENCODED, station, station_text
from swathe.calibration import CalibrationRecord
from swathe.errors import StationError
from swathe.station import (
    Station,
    beam_on_wall,
    beam_warnings,
    law_of,
    parse_station,
    probes_of,
    station_of_probe,
    with_record,
)
from swathe.station.describe import summarize_station

INDEX = INDEX_ENCODED.format(length=8)
SECOND_GAUGE = """
[device.other]
port = "ports/other"
[device.other.protocol]
columns = [{is="thickness", unit="mm"}]
"""
EACH = '\n[carriage]\neach = { device = "gauge" }\n'


def entry(name: str, device: str = "gauge", **keys: object) -> str:
    """Return an entry of `[[probe]]`."""
    text = f'\n[[probe]]\nname = "{name}"\n' + (f'device = "{device}"\n' if device else "")
    return text + "".join(
        f"{key} = {value}\n" if isinstance(value, int) else f'{key} = "{value}"\n'
        for key, value in keys.items()
    )


def of(*entries: str, index: str = INDEX, devices: str = SECOND_GAUGE) -> Station:
    """Return the station with these entries."""
    return station(station_text(index=index) + devices + "".join(entries))


def test_one_probe_is_at_the_datum() -> None:
    """A station without `[[probe]]` has one probe, and all its readings are its own."""
    probes = probes_of(station(station_text()))
    assert [(one.name, one.device, one.input) for one in probes.probes] == [("", "gauge", None)]
    assert probes.at_datum
    assert probes.numbers_by_input("gauge").tolist() == [0] * 256


def test_entries_are_numbered_in_their_order() -> None:
    """Numbers, devices and offsets are those of the file."""
    probes = probes_of(
        of(entry("left", index="-2 mm", scan="5 mm"), entry("right", "other", index="0.1 in"))
    )
    assert [(one.number, one.name, one.device) for one in probes.probes] == [
        (0, "left", "gauge"),
        (1, "right", "other"),
    ]
    assert probes.offsets.tolist() == [[5.0, -2.0], [0.0, 2.54]]
    assert not probes.at_datum
    assert probes.devices() == ("gauge", "other")


def test_a_positive_heading_turns_the_front_towards_higher_index_positions() -> None:
    """Both axes of the offsets turn by the heading."""
    probes = probes_of(of(entry("front", scan="10 mm"), entry("side", "other", index="10 mm")))
    scan, index = probes.turned(np.array([0.0, 90.0, 180.0]))
    assert scan[0] == pytest.approx([10, 0, -10])
    assert index[0] == pytest.approx([0, 10, 0])
    assert scan[1] == pytest.approx([0, -10, 0])
    assert index[1] == pytest.approx([10, 0, -10])


def test_keys_of_the_carriage_hold_for_each_probe_that_does_not_have_them() -> None:
    """What is alike is written once."""
    made = of(
        entry("a", diameter="8 mm", index="1 mm"),
        entry("b", "other"),
        '\n[carriage]\neach = { diameter = "6 mm", frequency = "5 MHz" }\n',
    )
    diameters = [station_of_probe(made, k).probe for k in range(2)]
    assert [one and (one.diameter, one.frequency) for one in diameters] == [(8, 5), (6, 5)]


def test_a_probe_by_itself_is_a_station_with_one_probe() -> None:
    """Law and beam of a probe are those of a station that has only this one."""
    made = of(entry("a", index="1 mm"), entry("b", "other"))
    one = station_of_probe(made, 1)
    assert one.probes == ()
    assert one.probe is None  # neither diameter nor frequency is given
    law = law_of(one)
    assert law is not None
    assert law.velocity == 5.92
    single = station(station_text())
    assert station_of_probe(single, 0) is single


@pytest.mark.parametrize(
    ("entries", "index", "problem"),
    [
        (
            [entry("a"), entry("A", "other", index="1 mm")],
            INDEX,
            "'probe[1].name' must be a name of its own (got 'A'): probe[0] has it, too",
        ),
        (
            [entry("a"), entry("b", "", index="1 mm")],
            INDEX,
            "'probe[1].device' is required: devices that give readings: gauge, other",
        ),
        (
            [entry("a"), entry("b", "encoder", index="1 mm")],
            INDEX,
            "'probe[1].device' must be one of the devices that give readings: gauge, other"
            " (got 'encoder')",
        ),
        (
            [entry("a"), entry("b", input=0, index="1 mm"), entry("c", "other", scan="1 mm")],
            INDEX,
            "'probe[0].input' is required: 'gauge' has 2 probes: the number that its"
            " records have for this probe",
        ),
        (
            [
                entry("a", input=0),
                entry("b", input=0, index="1 mm"),
                entry("c", "other", scan="1 mm"),
            ],
            INDEX,
            "'probe[1].input' must be an input of 'gauge' of its own (got '0'): probe a has this"
            " one: give each its number in the records",
        ),
        (
            [entry("a", input=7), entry("c", "other", scan="1 mm")],
            INDEX,
            "'probe[0].input' must be an input of 'gauge', which sends 0 (got 7)",
        ),
        (
            [entry("a")],
            INDEX,
            "'device.other' must be named by a [[probe]]: it gives readings (got 'no probe'): add"
            ' device = "other" to the entry of its probe, or remove the device',
        ),
        (
            [entry("a"), entry("b", "other")],
            INDEX,
            "'probe[1]' must not be where probe a is (got 'scan 0 mm, index 0 mm'): measure the"
            " offsets of both from the datum",
        ),
        (
            [entry("a"), entry("b", "other", index="1 mm")],
            "",
            "'probe[1].index' needs an index axis (got '1 mm'): add [index], or remove the offset:"
            " a line profile has one line",
        ),
        (
            [entry("a", colour="red"), entry("b", "other", index="1 mm")],
            INDEX,
            "'probe[0].colour' is not a known key (got 'red'): known here: beam, cable,"
            " calibration, delay, device, diameter, echo, frequency, index, input, kind, name,"
            " overlap, range_margin, scan, separation, serial, thickness_limits",
        ),
        (
            [entry("a"), entry("b", "other", index="1 mm"), "\n[carriage]\neach = {delay = 5}\n"],
            INDEX,
            "'carriage.each.delay' must be a duration with its unit, such as '50 ms' (got 5)",
        ),
        (
            [
                entry("a"),
                entry("b", "other", index="1 mm"),
                '\n[carriage]\nheading = {device = "encoder", counts = "turn"}\n',
            ],
            INDEX,
            "'carriage.heading.counts' must be a counts column of the device (got 'turn'):"
            " 'encoder' gives scan, index",
        ),
    ],
)
def test_what_is_wrong_is_named(entries: list[str], index: str, problem: str) -> None:
    """Each problem names its entry, the key and the remedy."""
    with pytest.raises(StationError) as caught:
        of(*entries, index=index)
    assert problem in str(caught.value)


def test_two_gauges_without_entries_are_refused() -> None:
    """Nobody could say where the second one is."""
    with pytest.raises(StationError, match=r"give each a \[\[probe\]\]"):
        of()


def test_a_carriage_without_probes_is_refused() -> None:
    """A heading without offsets would turn nothing."""
    with pytest.raises(StationError, match="'carriage' needs the probes that it carries"):
        of(EACH, devices="")


def test_the_record_of_a_probe_has_to_be_there() -> None:
    """A calibration that is named is read."""
    text = station_text(index=INDEX) + entry("a", calibration="a.json", input=0)
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    assert "'probe[0].calibration' must name a calibration record" in str(caught.value)
    assert "swathe calibrate thickness --probe a" in str(caught.value)


def test_extents_of_a_carriage_are_for_a_machine_and_run_upwards() -> None:
    """By hand nobody keeps to them; a reversed one would let the carriage drive anywhere."""
    with pytest.raises(StationError) as caught:
        of(
            entry("left", index="-2 mm"),
            entry("right", "other"),
            '\n[carriage]\nbody = { scan = ["5 mm", "-5 mm"], index = ["0 mm", "1 mm"] }\n',
            index="",
        )
    assert "'carriage.body.index' needs [index]" in str(caught.value)
    assert "'carriage.body' needs [motion]" in str(caught.value)
    assert "'carriage.body.scan' must run from lower to higher (got '5 to -5 mm')" in str(
        caught.value
    )


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            station_text(index='[index]\nlength = "8 mm"\nresolution = "1 mm"\nmode = "stepped"\n')
            + SECOND_GAUGE
            + entry("a")
            + entry("b", "other", index="1 mm"),
            "'index.mode' must not be stepped by hand with several probes (got 'stepped')",
        ),
        (
            station_text(index=INDEX).replace(
                'port = "ports/gauge"', 'port = "ports/gauge"\ndelay = "auto"'
            )
            + SECOND_GAUGE
            + entry("a")
            + entry("b", "other", index="1 mm"),
            "'device.gauge.delay' must be given where several devices give readings (got 'auto')",
        ),
    ],
)
def test_what_goes_with_one_probe_only_is_refused(text: str, problem: str) -> None:
    """It is said where, and what to do instead."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    assert problem in str(caught.value)


def test_the_plan_in_words_says_where_each_probe_is() -> None:
    """An offset with the wrong sign is seen before the carriage moves."""
    lines = summarize_station(of(entry("a", index="-2 mm"), entry("b", "other", scan="5 mm")))
    assert "probe a: gauge; from the carriage's datum scan 0 mm, index -2 mm" in lines
    assert "probe b: other; from the carriage's datum scan 5 mm, index 0 mm" in lines
    assert sum("calibration in force" in line for line in lines) == 1


def test_a_record_for_all_does_not_replace_those_of_the_probes() -> None:
    """A rebuild with it would change nothing, without a word."""
    made = of(entry("a", index="1 mm"), entry("b", "other"))
    probes = (made.probes[0].model_copy(update={"calibration": "a.json"}), made.probes[1])
    record = cast("CalibrationRecord", None)
    with pytest.raises(StationError, match="cannot stand for the records of the probes a"):
        with_record(made.model_copy(update={"probes": probes}), record, "new.json")


def beamed(name: str, device: str, beam: str, **keys: str) -> str:
    """Return an entry whose beam is stated."""
    return entry(name, device, diameter="6 mm", frequency="5 MHz", beam=beam, **keys)


def test_beams_of_several_probes_are_told_where_they_differ() -> None:
    """A pit may be missed under the widest one, and wall between lines under the narrowest."""
    differ = of(beamed("a", "gauge", "0.5 mm"), beamed("b", "other", "2 mm", scan="5 mm"))
    assert beam_on_wall(differ) == 2.0
    warnings = beam_warnings(differ)
    assert [text.split(":")[0] for text in warnings] == [
        f"the {axis} axis steps by 1 mm, but the beam of probe a is 0.50 mm wide on the back wall "
        "(-6 dB), without overlap"
        for axis in ("scan", "index")
    ]
    lines = summarize_station(differ)
    assert (
        "probe b: beam on the back wall: 2.00 mm wide (-6 dB); a smaller pit may be missed" in lines
    )

    same = of(beamed("a", "gauge", "0.5 mm"), beamed("b", "other", "0.5 mm", scan="5 mm"))
    assert len(beam_warnings(same)) == 2
    assert "of probe" not in "".join(beam_warnings(same))
    assert sum("beam on the back wall" in line for line in summarize_station(same)) == 1


def test_one_unknown_beam_leaves_the_width_unknown() -> None:
    """What is known of the other one is shown all the same."""
    station_ = of(beamed("a", "gauge", "0.5 mm"), entry("b", "other", scan="5 mm"))
    assert beam_on_wall(station_) is None
    assert len(beam_warnings(station_)) == 2
    assert any(line.startswith("probe b: beam unknown") for line in summarize_station(station_))
    assert beam_on_wall(of(entry("a"), entry("b", "other", scan="5 mm"))) is None


@pytest.mark.parametrize(
    "keys",
    [
        'index = "0 in"',  # where the first one is
        'index = "0.1 in"\ndiameter = "-0.25 in"',
        'index = "0.1 in"\nthickness_limits = ["0.3 in", "0.1 in"]',
        'index = "0.1 in"\nrange_margin = "0.1 in"',
        'index = "0.1 in"\ndiameter = "0.25 in"\nfrequency = "5 MHz"\nseparation = "0.1 in"',
        'index = "0.1 in"\n[carriage]\nwithin = { scan = ["2 in", "1 in"] }',
    ],
)
def test_errors_in_an_inch_survey_have_no_mm(keys: str) -> None:
    """They have lengths as the station shows them, or as they were written, and name the entry."""
    text = station_text(index=INDEX).replace('name = "bench"', 'name = "bench"\nunits = "in"', 1)
    text += SECOND_GAUGE + entry("a") + '\n[[probe]]\nname = "b"\ndevice = "other"\n' + keys + "\n"
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    found = str(caught.value)
    assert " in" in found
    assert "mm" not in found
    assert "'probe[1]" in found or "'carriage.within.scan'" in found


def test_offset_without_an_index_axis_is_refused_in_inches() -> None:
    """The offset is as the station shows it."""
    text = station_text().replace('name = "bench"', 'name = "bench"\nunits = "in"', 1)
    with pytest.raises(
        StationError, match=r"'probe\[0\].index' needs an index axis \(got '0.10 in'"
    ):
        parse_station(text + entry("a", index="0.1 in"), "bench.toml")
