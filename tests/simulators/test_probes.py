"""Several probes on one carriage: what each line carries, and what each probe truly had under it."""

from __future__ import annotations

import struct
from binascii import crc_hqx
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swathe_simulators import (
    Recording,
    Scenario,
    ScenarioError,
    World,
    builtin_scenario,
    load_scenario,
    record,
)
from swathe_simulators.base import Floats
from swathe_simulators.carriage import Carriage
from swathe_simulators.device_models import GaugeModel
from swathe_simulators.probe_models import (
    CarriageModel,
    HeadingModel,
    LateProbeModel,
    ProbeFault,
    ProbeModel,
    ProbeOffsetModel,
    SwappedProbesModel,
    faulty_probes,
)
from swathe_simulators.recording import make_instruments
from swathe_simulators.trajectory import Piece, Trajectory

PROBES: list[dict[str, Any]] = [
    {"name": "a", "input": 1, "scan_mm": 0, "index_mm": -3},
    {"name": "b", "input": 2, "scan_mm": 4, "index_mm": 0},
    {"name": "c", "input": 7, "scan_mm": -2, "index_mm": 3},
]


@pytest.fixture
def array_data(scenario_data: dict[str, Any]) -> dict[str, Any]:
    """Return the small scenario with three probes on the gauge, at 300 lines a second."""
    gauge = scenario_data["device"][1]
    gauge |= {"probes": PROBES, "sends": "input", "rate_hz": 150, "noise_us": 0.0}
    return scenario_data


def played(data: dict[str, Any], **gauge: Any) -> Recording:
    """Return what a scenario's devices send."""
    data["device"][1] |= gauge
    return record(Scenario.model_validate(data), rest_s=0.2)


def texts(found: Recording, name: str = "gauge") -> list[list[str]]:
    """Return the columns of each line of a device."""
    lines = [line for line in found.sent[name].lines if line]
    return [line.decode().split("*")[0].split(",") for line in lines]


def wall_of(found: Recording, name: str, times: Floats) -> Floats:
    """Return the wall under a stated probe while the frame keeps its direction."""
    probe = next(one for one in PROBES if one["name"] == name)
    states = found.trajectory.at(times)
    scan, index = float(probe["scan_mm"]), float(probe["index_mm"])
    return found.part.thickness(states.scan + scan, states.index + index)


def flight(thickness: Floats) -> Floats:
    """Return the time of flight through a wall, µs."""
    return np.asarray(0.42 + 2 * thickness / 5.92)


def test_each_line_has_the_input_and_the_wall_of_its_probe(array_data: dict[str, Any]) -> None:
    """One probe after the other, each with what is under it, not under the datum."""
    found = played(array_data)
    rows, lines = found.sent["gauge"].rows, texts(found)
    assert len(lines) == len(rows) > 500
    assert [int(line[2]) for line in lines[:4]] == [1, 2, 7, 1]
    for name, number in (("a", 1), ("b", 2), ("c", 7)):
        own = rows["probe"] == number
        wall = wall_of(found, name, rows["world_time_s"][own])
        assert np.array_equal(rows["thickness_mm"][own], wall)
        sent = np.array([float(line[3]) for line in lines])[own]
        assert np.abs(sent - flight(wall)).max() < 1e-4
        scan, index = found.path_of(name, rows["world_time_s"][own])
        assert np.array_equal(rows["scan_mm"][own], scan)
        assert np.array_equal(rows["index_mm"][own], index)


def test_turns_send_a_running_number_of_lines(array_data: dict[str, Any]) -> None:
    """The probe of a line is its number modulo the probes."""
    found = played(array_data, sends="turns")
    rows, lines = found.sent["gauge"].rows, texts(found)
    numbers = np.array([int(line[2]) for line in lines])
    assert np.array_equal(numbers, np.arange(numbers.size))
    assert np.array_equal(rows["probe"], np.array([1, 2, 7])[numbers % 3])


def test_values_are_of_all_probes_at_one_time(array_data: dict[str, Any]) -> None:
    """A line has three columns for each; the truth has a row for each, and the bytes are in the first."""
    found = played(array_data, sends="values")
    sent, lines = found.sent["gauge"], texts(found)
    assert len(sent.rows) == len(sent.lines) == 3 * len(lines)
    rows = sent.rows.reshape(-1, 3)
    assert np.array_equal(rows["probe"], np.tile([1, 2, 7], (len(rows), 1)))
    for name in ("world_time_s", "due_s", "sequence", "clock_us"):
        assert np.array_equal(rows[name][:, 0], rows[name][:, 2])
    assert np.array_equal(rows["sequence"][:, 0], np.arange(len(rows)))
    assert rows["length"][:, 1:].max() == 0
    assert rows["length"][:, 0].tolist() == [len(line) for line in sent.lines[::3]]
    values = np.array([[float(line[2 + 3 * k]) for k in range(3)] for line in lines])
    assert np.abs(values - flight(rows["thickness_mm"])).max() < 1e-4
    assert len({tuple(row) for row in values.tolist()}) > 100


def test_frames_have_a_group_for_each_probe(array_data: dict[str, Any]) -> None:
    """By the layout of the README, byte by byte."""
    found = played(array_data, sends="frame")
    rows = found.sent["gauge"].rows.reshape(-1, 3)
    frames = found.sent["gauge"].lines[::3]
    for number in range(0, len(frames), 50):
        frame = frames[number]
        assert frame[:2] == b"\xa5\x5b"
        length, clock, sequence = struct.unpack(">HIH", frame[2:10])
        assert length == len(frame) - 6 == 6 + 3 * 7
        assert (clock, sequence) == (rows["clock_us"][number, 0], number)
        for k in range(3):
            probe, flags, value, _ = struct.unpack(">BBIB", frame[10 + 7 * k : 17 + 7 * k])
            row = rows[number, k]
            assert (probe, flags) == (row["probe"], row["valid"])
            assert abs(value / 1e4 - flight(row["thickness_mm"])) < 1e-4
        assert int.from_bytes(frame[-2:], "big") == crc_hqx(frame[:-2], 0xFFFF)


@pytest.mark.parametrize("sends", ["input", "turns", "values", "frame"])
def test_batches_change_no_byte(array_data: dict[str, Any], sends: str) -> None:
    """How samples fall into batches is nothing that a receiver could see."""
    array_data["device"][1] |= {"sends": sends, "noise_us": 0.01}
    array_data["fault"] = [{"kind": "weak_probe", "probe": "b", "lost_share": 0.3}]
    scenario = Scenario.model_validate(array_data)
    made = []
    for ends in ([2.0], [0.1, 0.103, 0.104, 1.7, 2.0]):
        instruments = make_instruments(scenario, seed=3)
        device, path = instruments.devices[1], instruments.motion.trajectory
        device.restart(0.0)
        batches = [device.produce(end, path, 0.0) for end in ends]
        made.append(b"".join(line for batch in batches for line in batch.lines))
    assert made[0] == made[1]


def test_combined_lines_have_one_position(array_data: dict[str, Any]) -> None:
    """That of the datum, next to the values of all probes; the heading is behind the axes."""
    array_data["carriage"] = {"heading": {"start_deg": 10, "swing_deg": 20, "along_mm": 50}}
    counters = {
        "axes": [{"axis": "scan", "counts_per_mm": 10}],
        "heading": {"counts_per_degree": 100, "sign": -1, "preset": 5},
    }
    found = played(array_data, kind="combined", sends="values", **counters)
    rows, lines = found.sent["gauge"].rows[::3], texts(found)
    states = found.trajectory.at(rows["world_time_s"])
    assert np.array_equal([int(line[2]) for line in lines], np.floor(states.scan * 10))
    heading = 10 + 20 * np.sin(2 * np.pi * states.scan / 50)
    assert np.abs(rows["heading_deg"] - heading).max() < 1e-9
    assert np.ptp(rows["heading_deg"]) > 30
    counts = [int(line[3]) for line in lines]
    assert np.array_equal(counts, np.floor(-100 * heading + 5))
    assert np.array_equal(rows["heading_counts"], counts)
    # A quarter turn takes what is ahead to higher index positions.
    assert len(lines[0]) == 4 + 9


def test_heading_turns_the_offsets() -> None:
    """Ahead becomes higher index at 90 degrees, and what is beside it becomes behind."""
    carriage = Carriage(
        CarriageModel(heading=HeadingModel(start_deg=90)),
        [ProbeModel(name="a", scan_mm=4, index_mm=1)],
    )
    path = Trajectory(scan=100, index=20, pieces=[Piece(1.0, speed=10.0)])
    scan, index = carriage.path_of("a", path, np.array([0.0, 1.0]))
    assert scan == pytest.approx([99, 109])
    assert index == pytest.approx([24, 24])


def test_swapped_probes_take_their_faults_to_the_other_input() -> None:
    """What is at an input is the other probe as it is, offset and all."""
    probes = [
        ProbeModel(name="a", input=1, index_mm=-3),
        ProbeModel(name="b", input=2, index_mm=3),
    ]
    faults: list[ProbeFault] = [
        ProbeOffsetModel(kind="probe_offset", probe="b", scan_mm=2, index_mm=1),
        SwappedProbesModel(kind="swapped_probes", probes=("a", "b")),
        LateProbeModel(kind="late_probe", probe="a", delay_ms=40),
    ]
    carriage = Carriage(CarriageModel(), probes, faults)
    one, other = carriage.probe("a"), carriage.probe("b")
    assert (one.input, one.scan_mm, one.index_mm, one.delay_s) == (1, 2, 4, 0)
    assert (other.input, other.scan_mm, other.index_mm, other.delay_s) == (2, 0, -3, 0.04)


def test_dead_and_weak_probe(array_data: dict[str, Any]) -> None:
    """From its time on one has no echo at all; the other has weaker ones, and fewer."""
    array_data["fault"] = [
        {"kind": "dead_probe", "probe": "a", "from_s": 1.5},
        {"kind": "weak_probe", "probe": "b", "amplitude_factor": 0.25, "lost_share": 0.3},
    ]
    found = played(array_data)
    rows, lines = found.sent["gauge"].rows, texts(found)
    valid = rows["valid"]
    assert [line[5] for line in lines] == ["E" if one else "N" for one in valid]
    dead, weak, sound = (rows["probe"] == number for number in (1, 2, 7))
    assert np.array_equal(valid[dead], rows["world_time_s"][dead] < 1.5)
    assert 0.2 < 1 - valid[weak].mean() < 0.4
    assert valid[sound].all()
    amplitude = np.array([float(line[4]) for line in lines])
    assert amplitude[weak & valid].mean() == pytest.approx(0.25 * amplitude[sound].mean(), rel=0.05)


def test_late_probe_sends_what_was_under_it_before(array_data: dict[str, Any]) -> None:
    """Its clock and its number are those of the line; the wall is older."""
    plain = played(array_data)
    array_data["fault"] = [{"kind": "late_probe", "probe": "b", "delay_ms": 60}]
    late = played(array_data)
    rows, before = late.sent["gauge"].rows, plain.sent["gauge"].rows
    own = rows["probe"] == 2
    assert np.allclose(before["world_time_s"] - rows["world_time_s"], np.where(own, 0.06, 0.0))
    assert np.array_equal(rows["clock_us"], before["clock_us"])
    assert np.array_equal(rows["thickness_mm"][own], wall_of(late, "b", rows["world_time_s"][own]))
    assert not np.array_equal(rows["thickness_mm"][own], before["thickness_mm"][own])
    assert np.array_equal(rows["thickness_mm"][~own], before["thickness_mm"][~own])


def test_ports_of_their_own_are_mixed_with_a_multiplexed_one(array_data: dict[str, Any]) -> None:
    """A gauge with one probe sends plain lines, of the wall under that probe."""
    own = {
        **array_data["device"][1],
        "name": "single",
        "probes": [{"name": "d", "scan_mm": 5, "index_mm": 6}],
    }
    del own["sends"]
    array_data["device"].append(own)
    found = played(array_data)
    rows, lines = found.sent["single"].rows, texts(found, "single")
    assert len(lines[0]) == 5
    states = found.trajectory.at(rows["world_time_s"])
    assert np.allclose(rows["scan_mm"], states.scan + 5)
    assert np.allclose(rows["index_mm"], states.index + 6)
    assert [probe.name for probe in found.scenario.probes] == ["a", "b", "c", "d"]


def test_a_world_serves_what_the_record_has(array_data: dict[str, Any], tmp_path: Path) -> None:
    """Columns in words, an example of each kind, and the true carriage."""
    for sends, parts in (("input", 6), ("turns", 6), ("values", 11), ("frame", 6)):
        array_data["device"][1]["sends"] = sends
        with World(Scenario.model_validate(array_data), ports_dir=tmp_path) as world:
            info = world.describe()[1]
        assert world.carriage.probe("b").scan_mm == 4
        assert len(info.columns) == parts
        if sends == "frame":
            assert info.example.startswith("a5 5b")
        else:
            assert len(info.example.split(",")) == parts


@pytest.mark.parametrize(
    ("gauge", "others", "words"),
    [
        ({"sends": None}, {}, "must give sends, as there are several probes"),
        ({"probes": []}, {}, "must leave sends out without probes"),
        ({"probes": [PROBES[0], {**PROBES[1], "input": 1}]}, {}, "probes at different inputs"),
        ({"probes": [PROBES[0], {**PROBES[1], "name": "a"}]}, {}, "probes of different names"),
        ({"sends": "frame", "clock": False}, {}, "must have a clock of wrap_bits <= 32"),
        ({"rate_hz": 200}, {}, "'device[1].rate_hz' must be <="),
        ({}, {"fault": [{"kind": "dead_probe", "probe": "x", "from_s": 1}]}, "a, b, c (got x)"),
        (
            {},
            {"fault": [{"kind": "swapped_probes", "probes": ["a", "a"]}]},
            "must be two different probes",
        ),
    ],
)
def test_what_cannot_be_played_is_refused(
    array_data: dict[str, Any],
    gauge: dict[str, Any],
    others: dict[str, Any],
    words: str,
    tmp_path: Path,
) -> None:
    """With the key and what it must be."""
    array_data["device"][1] |= gauge
    path = tmp_path / "array.toml"
    path.write_text(toml_of({**array_data, **others}), encoding="utf-8")
    with pytest.raises(ScenarioError) as found:
        load_scenario(path)
    assert words in str(found.value)


def toml_of(data: dict[str, Any]) -> str:
    """Return a table as TOML text, each value inline."""

    def inline(value: Any) -> str:
        if isinstance(value, dict):
            pairs = (f"{key} = {inline(one)}" for key, one in value.items() if one is not None)
            return "{ " + ", ".join(pairs) + " }"
        if isinstance(value, list):
            return "[" + ", ".join(inline(one) for one in value) + "]"
        if isinstance(value, bool):
            return str(value).lower()
        return f'"{value}"' if isinstance(value, str) else str(value)

    return "".join(f"{key} = {inline(value)}\n" for key, value in data.items())


@pytest.mark.parametrize("kind", ["weak_probe", "probe_offset", "late_probe", "swapped_probes"])
def test_the_array_offers_each_fault_of_a_probe(kind: str, tmp_path: Path) -> None:
    """Without its # the entry is in effect, and the probes are other ones than without it."""
    text = builtin_scenario("array").read_text("utf-8")
    plain, off = text.split("# Other faults of a probe")
    entries = [one for one in off.split("# [[fault]]")[1:] if f'"{kind}"' in one]
    assert len(entries) == 1
    lines = [line.removeprefix("# ") for line in entries[0].splitlines() if " = " in line]
    path = tmp_path / "array.toml"
    path.write_text(plain + "[[fault]]\n" + "\n".join(lines), "utf-8")
    scenario = load_scenario(path)
    faults = [fault for fault in scenario.fault if isinstance(fault, ProbeFault)]
    assert [fault.kind for fault in faults] == ["dead_probe", kind]
    gauge = next(one for one in scenario.device if one.name == "gauge")
    assert isinstance(gauge, GaugeModel)
    names = [probe.name for probe in gauge.probes]
    faulty, sound = (
        Carriage(scenario.carriage, gauge.probes, some) for some in (faults, faults[:1])
    )
    changed = {name for name in names if faulty.probe(name) != sound.probe(name)}
    assert changed == set(faulty_probes(faults[-1]))


def test_motion_without_an_end_is_not_recorded(scenario_data: dict[str, Any]) -> None:
    """A recording is of a plan."""
    scenario_data["part"]["steps"] = [{"from_mm": 0, "to_mm": 30, "thickness_mm": 5}]
    scenario_data["motion"] = {"kind": "steps", "dwell_s": 1, "lift_s": 1}
    with pytest.raises(ValueError, match="has no end"):
        record(Scenario.model_validate(scenario_data))
