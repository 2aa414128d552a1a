"""Calibration, corrections, probe and uncertainty of a station file: what they come to."""

from __future__ import annotations

import dataclasses
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from daemon.handmade import station_text
from swathe.calibration import (
    BlockRecord,
    CalibrationRecord,
    InstrumentRecord,
    ProbeKind,
    ProbeRecord,
    StepCoupling,
    StepReading,
    ThicknessLaw,
    new_record,
    solve_steps,
)
from swathe.errors import StationError
from swathe.station import (
    Station,
    beam_of,
    beam_on_wall,
    beam_warnings,
    budget_of,
    law_of,
    parse_station,
    read_station,
    station_in_journal,
    with_record,
)
from swathe.station.describe import summarize_station

LAW = ThicknessLaw(velocity=5.93, zero_offset=0.42)
# Three couplings of a step, µs from their mean: they scatter by 5 ns, with 8 degrees of freedom.
SHIFTS = (-0.005, 0.0, 0.005)
GIVEN = '[calibration]\nvelocity = "5920 m/s"\n'


def record(
    *, separation: float = 0.0, celsius: float | None = 21.0, shifts: tuple[float, ...] = SHIFTS
) -> CalibrationRecord:
    """Return the record of a calibration on four steps, each read twenty times in each coupling."""
    law = dataclasses.replace(LAW, separation=separation)
    steps = [
        StepReading.of_couplings(
            d,
            [
                StepCoupling(
                    time_of_flight=float(law.time_of_flight(d)) + shift,
                    sd=0.004,
                    readings=20,
                    round=number + 1,
                )
                for number, shift in enumerate(shifts)
            ],
        )
        for d in (5.08, 7.62, 10.16, 12.7)
    ]
    return new_record(
        solve_steps(steps, separation=separation),
        time=datetime(2026, 11, 25, 8, 30, tzinfo=UTC),
        by="A. Kern",
        procedure="P-12",
        material="carbon steel",
        block=BlockRecord(name="B-7", serial="44", temperature_degC=celsius),
        probe=ProbeRecord(
            name="P",
            serial="1",
            kind=ProbeKind.DUAL if separation else ProbeKind.SINGLE,
            diameter_mm=6.35,
            frequency_MHz=5.0,
            separation_mm=separation,
        ),
        couplant="gel",
        instrument=InstrumentRecord(name="I", serial="2"),
    )


def text_with(tables: str, *, calibration: str = '[calibration]\nfile = "c.json"\n') -> str:
    """Return a station file with other calibration and further tables; its delays are given."""
    text = station_text()
    for device in ("encoder", "gauge"):
        text = text.replace(f'port = "ports/{device}"', f'port = "ports/{device}"\ndelay = "0 ms"')
    return text.replace(GIVEN, calibration) + tables


def with_a_record(tables: str = "", *, made: CalibrationRecord | None = None) -> Station:
    """Return a station whose calibration is a record."""
    detail = {
        "station": text_with(tables),
        "calibration": (made or record()).model_dump(mode="json"),
    }
    return station_in_journal(detail, "journal")


def problems(text: str) -> list[str]:
    """Return what is wrong with a station file."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    return [str(problem) for problem in caught.value.problems]


def test_record_beside_the_file_is_in_force(tmp_path: Path) -> None:
    """The station file names the record by a path relative to itself."""
    from swathe.calibration import write_calibration_record

    (tmp_path / "mine").write_text("mine")
    (tmp_path / "c.json.partial").symlink_to(tmp_path / "mine")  # not followed
    write_calibration_record(tmp_path / "c.json", record())
    assert (tmp_path / "mine").read_text() == "mine"
    (tmp_path / "s.toml").write_text(text_with(""))
    station, _ = read_station(tmp_path / "s.toml")
    law = law_of(station)
    assert law is not None
    assert (law.velocity, law.zero_offset) == pytest.approx((5.93, 0.42), rel=1e-6)
    assert law.corrections == ()
    assert any("record" in line and "by A. Kern" in line for line in summarize_station(station))


def test_record_in_the_journal_is_looked_through() -> None:
    """A record whose contents were changed in the journal is refused as well."""
    changed = {**record().model_dump(mode="json"), "by": "somebody"}
    with pytest.raises(StationError, match="was changed after it was signed"):
        station_in_journal({"station": text_with(""), "calibration": changed}, "journal")


@pytest.mark.parametrize(
    ("calibration", "told"),
    [
        (
            "[calibration]\n",
            "'calibration' must be given by either file or velocity (got 'neither')",
        ),
        (
            '[calibration]\nfile = "c.json"\nvelocity = "5920 m/s"\n',
            "'calibration' must be given by either file or velocity (got 'both')",
        ),
    ],
)
def test_calibration_told_once(calibration: str, told: str) -> None:
    """A record or values: one of them."""
    assert problems(text_with("", calibration=calibration))[0].startswith(told)


def test_temperature_needs_what_it_needs() -> None:
    """Block temperature and coefficient are asked for; neither is guessed."""
    tables = '[corrections]\npart_temperature = "60 degC"\n'
    found = problems(text_with(tables, calibration=GIVEN))
    assert [line.split(" ")[0] for line in found] == [
        "'corrections.part_temperature'",
        "'corrections.temperature_coefficient'",
    ]
    found = problems(text_with(tables + 'temperature_coefficient = "glass"\n', calibration=GIVEN))
    assert "must be one of steel rule of thumb, steel 1018" in found[1]


def test_temperature_is_corrected_and_named() -> None:
    """A part 55 K warmer than the block: 1 % less velocity by the rule of thumb."""
    tables = (
        '[corrections]\npart_temperature = "168.8 degF"\n'
        'temperature_coefficient = "steel rule of thumb"\n'
    )
    law = law_of(with_a_record(tables))
    assert law is not None
    assert law.temperature_factor == pytest.approx(0.99, abs=1e-9)
    (words,) = law.corrections
    assert words.startswith(
        "temperature: part 76 °C, block 21 °C, velocity falls by 0.000182 per K"
    )
    off = law_of(with_a_record(tables + "temperature = false\n"))
    assert off is not None
    assert (off.temperature_factor, off.corrections) == (
        1.0,
        ("temperature not corrected: switched off",),
    )


def test_v_path_of_the_record_is_in_force_unless_switched_off() -> None:
    """A wall of 2 mm under elements 3 mm apart reads 2 mm, and 2.5 mm without the correction."""
    made = record(separation=3.0)
    time = dataclasses.replace(LAW, separation=3.0).time_of_flight([2.0])
    law = law_of(with_a_record(made=made))
    assert law is not None
    assert law.thickness(time) == pytest.approx([2.0], abs=1e-4)
    off = law_of(with_a_record("[corrections]\nv_path = false\n", made=made))
    assert off is not None
    # A right triangle of 1.5 and 2 has the hypotenuse 2.5.
    assert off.thickness(time) == pytest.approx([2.5], abs=1e-4)
    assert off.corrections == ("V-path of the dual probe not corrected: switched off",)


def test_another_record_takes_the_place() -> None:
    """What a rebuild with another calibration does; corrections it cannot bear are told."""
    tables = '[corrections]\npart_temperature = "60 degC"\ntemperature_coefficient = 1.8e-4\n'
    station = with_a_record(tables)
    other = with_record(station, record(celsius=30.0), "other.json")
    before, after = law_of(station), law_of(other)
    assert before is not None
    assert after is not None
    assert after.temperature_factor - before.temperature_factor == pytest.approx(1.8e-4 * 9)
    with pytest.raises(StationError, match="needs the block's temperature"):
        with_record(station, record(celsius=None), "other.json")


def test_budget_without_a_record_is_not_guessed() -> None:
    """Given values have no uncertainty that anybody knows."""
    assert budget_of(parse_station(station_text(), "s"), 10.0) is None


HOT = (
    '[corrections]\npart_temperature = "60 degC"\ntemperature_coefficient = 1.8e-4\n'
    "temperature_coefficient_uncertainty = 3e-5\n"
)


def parts_of(station: Station) -> dict[str, float]:
    """Return the standard uncertainties of a reading of 10 mm by their names."""
    budget = budget_of(station, 10.0)
    assert budget is not None
    return {part.name: part.standard_uncertainty for part in budget.components}


def test_budget_of_a_reading_names_its_parts() -> None:
    """Calibration, couplant, repeatability, resolution and temperature, each by its size."""
    tables = (
        '[uncertainty]\nresolution = "0.01 mm"\ntemperature = "2 K"\nrepeatability = "0.05 mm"\n'
        'block_temperature = "1.5 K"\n'
    )
    budget = budget_of(with_a_record(tables + HOT), 10.0)
    assert budget is not None
    parts = {part.name: part.standard_uncertainty for part in budget.components}
    assert parts["repeatability"] == 0.05
    assert parts["resolution"] == 0.0  # readings that scatter by five digits average the digit
    assert parts["temperature"] == pytest.approx(10.0 * 1.8e-4 * 2.5, rel=0.02)
    assert parts["temperature coefficient"] == pytest.approx(10.0 * 3e-5 * 39, rel=0.02)
    assert parts["temperature difference"] == 0.0
    assert parts["coupling"] == pytest.approx(0.005 * 5.93 / 2, rel=0.01)
    assert 0 < parts["calibration"] < 0.01
    assert budget.standard_uncertainty == pytest.approx(
        math.sqrt(sum(part**2 for part in parts.values()))
    )
    assert budget.coverage == 0.9545
    assert budget.expanded == pytest.approx(2 * budget.standard_uncertainty, rel=0.05)


def test_record_repeatability_is_taken_unless_told() -> None:
    """0.004 µs of scatter in a coupling are 0.012 mm, with 4 · 3 · 19 degrees of freedom."""
    budget = budget_of(with_a_record(), 10.0)
    assert budget is not None
    parts = {part.name: part for part in budget.components}
    assert parts["repeatability"].standard_uncertainty == pytest.approx(0.004 * 5.93 / 2, rel=1e-6)
    assert parts["repeatability"].dof == 228
    assert parts["coupling"].standard_uncertainty == pytest.approx(0.005 * 5.93 / 2, rel=1e-6)
    assert (parts["coupling"].dof, parts["coupling"].shared) == (8, "couplings")
    assert parts["calibration"].shared == "couplings"


def test_stated_coupling_is_that_of_the_part() -> None:
    """On a rough part couplant varies more than on the block: what is stated takes its place."""
    budget = budget_of(with_a_record('[uncertainty]\ncoupling = "20 ns"\n'), 10.0)
    assert budget is not None
    parts = {part.name: part for part in budget.components}
    assert parts["coupling"].standard_uncertainty == pytest.approx(0.02 * 5.93 / 2, rel=1e-6)
    assert math.isinf(parts["coupling"].dof)
    assert parts["calibration"].shared == ""


@pytest.mark.parametrize("tables", ["", '[uncertainty]\ncoupling = "5 ns"\n'])
def test_no_level_is_claimed_where_the_calibration_does_not_cover_couplant(tables: str) -> None:
    """One coupling per step and nothing stated then: what is stated later does not cover the line."""
    budget = budget_of(with_a_record(tables, made=record(shifts=(0.0,))), 10.0)
    assert budget is not None
    assert budget.standard_uncertainty > 0
    assert (budget.coverage, budget.coverage_factor, budget.expanded) == (None, None, None)
    assert budget.not_covered[0].startswith("couplant and probe handling are not covered")


def test_resolution_is_that_of_the_instrument_s_time_unless_given() -> None:
    """A digit of 1 µs is 2.96 mm: far above the scatter, so that nothing of it is averaged."""
    station = with_a_record('[instrument]\ntime_resolution = "1 us"\n')
    assert parts_of(station)["resolution"] == pytest.approx(5.93 / 2 / math.sqrt(12), rel=1e-6)
    given = '[instrument]\ntime_resolution = "1 us"\n[uncertainty]\nresolution = "0 mm"\n'
    assert parts_of(with_a_record(given))["resolution"] == 0.0


def test_temperature_of_a_part_that_is_not_measured_is_a_correction_of_zero() -> None:
    """Give or take 5 K at 1.8e-4 per K: 9 µm on 10 mm. Without the coefficient it is refused."""
    stated = '[uncertainty]\ntemperature = "5 K"\n'
    known = "[corrections]\ntemperature_coefficient = 1.8e-4\n"
    assert parts_of(with_a_record(stated + known))["temperature"] == pytest.approx(0.009, rel=0.01)
    with pytest.raises(StationError) as caught:
        with_a_record(stated)
    (problem,) = caught.value.problems
    assert problem.key == "uncertainty.temperature"
    assert "needs corrections.temperature_coefficient" in problem.requirement
    with pytest.raises(StationError, match="must be one of steel rule of thumb"):
        with_a_record(stated + known.replace("1.8e-4", '"glass"'))
    assert with_a_record(stated.replace("5 K", "0 K")) is not None


def test_temperature_known_and_not_corrected_counts_whole() -> None:
    """39 K at 1.8e-4 and their uncertainty: the whole effect is a component, JCGM 100 F.2.4.5."""
    stated = '[uncertainty]\ntemperature = "2 K"\n'
    parts = parts_of(with_a_record(stated + HOT + "temperature = false\n"))
    assert parts["temperature difference"] == pytest.approx(10.0 * (1.8e-4 + 3e-5) * 39, rel=0.01)
    assert parts["temperature coefficient"] == 0.0
    assert parts["temperature"] == pytest.approx(10.0 * 1.8e-4 * 2, rel=0.01)


@pytest.mark.parametrize(
    ("tables", "celsius", "words"),
    [
        (HOT, 21.0, "uncertainty.temperature is not stated"),
        (
            '[uncertainty]\ntemperature = "2 K"\n' + HOT.replace("3e-5\n", "3e-5\ntemperature = false\n"),
            None,
            "the block's temperature was not recorded",
        ),
        (
            '[uncertainty]\ntemperature = "2 K"\n' + HOT[: HOT.index("temperature_coefficient_u")],
            21.0,
            "corrections.temperature_coefficient_uncertainty is not stated",
        ),
        (
            '[corrections]\npart_temperature = "60 degC"\ntemperature = false\n',
            21.0,
            "the part's temperature of 60 °C is neither corrected nor covered",
        ),
    ],
)  # fmt: skip
def test_no_level_is_claimed_where_a_temperature_is_not_covered(
    tables: str, celsius: float | None, words: str
) -> None:
    """Each number that the temperature's effect needs is stated, or no level of confidence is."""
    budget = budget_of(with_a_record(tables, made=record(celsius=celsius)), 10.0)
    assert budget is not None
    assert budget.coverage is None
    (found,) = budget.not_covered
    assert found.startswith(words)


def test_coefficient_known_by_name_has_its_uncertainty() -> None:
    """The two known ones differ by 4.67e-5 per K: over the square root of three 2.7e-5."""
    stated = '[uncertainty]\ntemperature = "2 K"\n'
    named = '[corrections]\npart_temperature = "60 degC"\ntemperature_coefficient = "steel 1018"\n'
    parts = parts_of(with_a_record(stated + named))
    assert parts["temperature coefficient"] == pytest.approx(10.0 * 2.696e-5 * 39, rel=0.01)


PROBE = '[probe]\ndiameter = "12.7 mm"\nfrequency = "5 MHz"\n'


def test_beam_wider_than_the_steps_is_no_warning() -> None:
    """Cells of 1 mm under a beam of about 3.3 mm: nothing to warn of."""
    text = text_with(PROBE, calibration=GIVEN).replace(
        'folder = "bench"', 'folder = "bench"\nnominal_thickness = "10 mm"'
    )
    station = parse_station(text, "s")
    # Within the near field of 34 mm the beam is told as its narrowest, k D / 2.
    assert beam_on_wall(station) == pytest.approx(0.514 * 12.7 / 2)
    assert not any("WARNING" in line for line in summarize_station(station))


def test_index_step_beyond_the_beam_is_warned_of() -> None:
    """Lines 5 mm apart under a beam of 1.6 mm leave wall unseen; overlap asks for more still."""
    index = '[index]\nlength = "20 mm"\nresolution = "5 mm"\nmode = "stepped"\n'
    probe = '[probe]\ndiameter = "0.25 in"\nfrequency = "5 MHz"\noverlap = "20 %"\n'
    text = text_with(probe + index, calibration=GIVEN).replace(
        'folder = "bench"', 'folder = "bench"\nnominal_thickness = "5 mm"'
    )
    (warning,) = [line for line in summarize_station(parse_station(text, "s")) if "WARNING" in line]
    width = 0.514 * 6.35 / 2
    assert f"{width:.2f} mm wide on the back wall (-6 dB), less 20 % of overlap" in warning
    assert f"at most {0.8 * width:.2f} mm" in warning


def test_beam_of_a_data_sheet_is_taken_for_any_probe() -> None:
    """A dual probe has the width that is stated, at any depth, and none without."""
    dual = PROBE + 'kind = "dual"\nseparation = "3 mm"\n'
    assert beam_of(parse_station(text_with(dual, calibration=GIVEN), "s")) is None
    station = parse_station(text_with(dual + 'beam = "0.5 mm"\n', calibration=GIVEN), "s")
    assert beam_on_wall(station) == pytest.approx(0.5)
    (warning,) = beam_warnings(station)
    assert "the scan axis steps by 1 mm, but the beam is 0.50 mm wide" in warning
    assert warning.endswith("or the wall in between is not seen and a pit there is missed")


def test_beam_without_a_nominal_thickness_has_no_width_on_the_wall() -> None:
    """It opens with depth; in the near field of any wall it is known all the same."""
    station = parse_station(text_with(PROBE, calibration=GIVEN), "s")
    assert beam_on_wall(station) is None
    beam = beam_of(station)
    assert beam is not None
    assert float(beam.width(10.0)) == pytest.approx(0.514 * 12.7 / 2)


def test_probe_of_one_element_has_no_separation() -> None:
    """What contradicts itself is told with its key."""
    (told,) = problems(text_with(PROBE + 'separation = "3 mm"\n', calibration=GIVEN))
    assert told.startswith("'probe.separation' must be 0 for a single element (got '3 mm')")


def test_law_of_inline_values_is_the_plain_relation() -> None:
    """``velocity × (time − zero) / 2``, to the last bit: older surveys rebuild as they were."""
    law = law_of(parse_station(station_text(), "s"))
    assert law is not None
    times = np.linspace(0.5, 20, 1001)
    assert np.array_equal(law.thickness(times), 5.92 * (times - 0.0) / 2)


def test_block_of_an_unknown_material_is_refused() -> None:
    """The known materials are named; without a material the block is accepted."""
    block = '[block]\nname = "B-7"\nsteps = ["0.5 in", "0.2 in"]\nuncertainty = "2 um"\n'
    text = text_with(block + 'material = "unobtainium"\n', calibration=GIVEN)
    with pytest.raises(StationError) as caught:
        parse_station(text, "s")
    (problem,) = caught.value.problems
    assert (problem.key, problem.got) == ("block.material", "unobtainium")
    assert problem.requirement.startswith("must be one of: carbon steel; mild steel")
    assert problem.remedy == "leave it out to calibrate without a check of the velocity"
    station = parse_station(text_with(block, calibration=GIVEN), "s")
    assert station.block is not None
    assert station.block.steps == (12.7, 5.08)
    assert station.block.uncertainty == pytest.approx(0.002)
