"""Scenario files, and what is said of wrong ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from swathe_simulators import (
    ScenarioError,
    World,
    builtin_scenario,
    builtin_scenarios,
    load_scenario,
)

GOOD = builtin_scenario("lines").read_text()


def problems_of(tmp_path: Path, text: str) -> list[str]:
    """Return what is said of a scenario text."""
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert caught.value.path == path
    assert str(caught.value) == f"{path}: " + "; ".join(caught.value.problems)
    return caught.value.problems


@pytest.mark.parametrize("name", ["ascan", "block", "lines", "penstock", "profile"])
def test_builtin_scenario_loads_and_can_be_played(name: str, tmp_path: Path) -> None:
    """Every scenario that comes along has a motion and describes its devices."""
    world = World(load_scenario(builtin_scenario(name)), ports_dir=tmp_path)
    assert name in builtin_scenarios()
    assert world.trajectory.end_s > 10
    assert [info.name for info in world.describe()] == [d.name for d in world.scenario.device]
    world.close()


def test_builtin_penstock_thinnest_place(tmp_path: Path) -> None:
    """The penstock's deepest pit leaves 6.2 mm, and it lies on a line of the raster."""
    world = World(load_scenario(builtin_scenario("penstock")), ports_dir=tmp_path)
    wall = world.part.thickness(np.arange(901)[:, None], np.arange(241))
    assert wall.min() == pytest.approx(6.2, abs=0.02)
    _, index = np.unravel_index(np.argmin(wall), wall.shape)
    assert index in world.lines_mm


def test_builtin_scenario_unknown_lists_known() -> None:
    """A wrong name is answered with the right ones."""
    with pytest.raises(
        KeyError, match="there are: array, ascan, belt, block, crawler, lines, penstock, profile"
    ):
        builtin_scenario("moon")


def test_load_all_errors_at_once(tmp_path: Path) -> None:
    """Every wrong key is named, with what is asked of it and what it was."""
    text = (
        GOOD.replace("nominal_mm = 12", "nominal_mm = -3")
        .replace("index_count = 6", "index_count = 2.5")
        .replace("pause_s = 0.5", 'pause_s = 0.5\ncolour = "red"')
        .replace("rate_hz = 100\n", "")
        .replace("skew_ppm = -12", 'skew_ppm = "x"')
        .replace("scan_mm = [0, 300]", "scan_mm = [300, 0]")
    )
    assert problems_of(tmp_path, text) == [
        "'part.nominal_mm' must be > 0 (got -3)",
        "'part.scan_mm' must be [from, to] with from < to (got [300, 0])",
        "'motion.index_count' must be a whole number (got 2.5)",
        "'motion.colour' must be left out, as there is no such key (got red)",
        "'device[0].rate_hz' must be given (got nothing)",
        "'device[0].clock.skew_ppm' must be a number (got x)",
    ]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            'kind = "raster"',
            'kind = "dance"',
            "'motion' must have a kind of 'raster', 'hand', 'steps', 'commanded' (got a table)",
        ),
        ('name = "gauge"', 'name = "encoder"', "'device[1].name' must differ"),
        ('name = "gauge"', 'name = "a/b"', "'device[1].name' must be letters, digits"),
        ("clock = false", "clock = true", "'device[1].clock' must be a table (got True)"),
        ("baud = 19200", "baud = 600", "'device[1].rate_hz' must be <= 3 for lines of about 20"),
        (", baud = 19200", "", "'device[1].port' must give baud when kind is pty"),
        ("sign = -1", "sign = 2", "'device[0].axes[0].sign' must be -1 or 1 (got 2)"),
        ("bits = 16", "bits = 12", "'device[0].bits' must be 16, 24 or 32 (got 12)"),
        ("nominal_mm = 12", "nominal_mm = inf", "'part.nominal_mm' must be a finite number"),
    ],
)
def test_load_one_error(tmp_path: Path, old: str, new: str, expected: str) -> None:
    """Each kind of mistake has its sentence."""
    assert old in GOOD
    (problem,) = problems_of(tmp_path, GOOD.replace(old, new))
    assert problem.startswith(expected)


def test_load_unknown_devices_named_at_once(tmp_path: Path) -> None:
    """Injections and unplugs of devices that are not there are all named."""
    text = GOOD + (
        '[[inject]]\ndevice = "radio"\nat_s = 1\ntext = "x"\n'
        '[[unplug]]\ndevice = "lamp"\nat_s = 1\nfor_s = 2\n'
    )
    assert problems_of(tmp_path, text) == [
        "'inject[0].device' must be one of encoder, gauge (got radio)",
        "'unplug[0].device' must be one of encoder, gauge (got lamp)",
    ]


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ('bytes_hex = "0"', "'inject[0]' must have pairs of hex digits in bytes_hex"),
        ('bytes_hex = "00"\ntext = "x"', "'inject[0]' must give either bytes_hex or text"),
    ],
)
def test_load_injection_content(tmp_path: Path, entry: str, expected: str) -> None:
    """An injection has one content, and hex digits are pairs."""
    text = GOOD + f'[[inject]]\ndevice = "gauge"\nat_s = 1\n{entry}\n'
    (problem,) = problems_of(tmp_path, text)
    assert problem.startswith(expected)


def test_load_impossible_fast_stretches(tmp_path: Path) -> None:
    """Fast stretches that are off the raster, too slow or overlapping are all told."""
    fast = (
        "{ line = 9, from_mm = 900, to_mm = 950, speed_mm_per_s = 10,"
        " acceleration_mm_per_s2 = 1000 },"
    )
    text = GOOD.replace("pause_s = 0.5", f"pause_s = 0.5\nfast = [{fast}{fast}]")
    (problem,) = problems_of(tmp_path, text)
    assert problem.startswith("'motion' must be drivable: fast line 9 is not below index_count")
    for part in ("leaves the line", "not faster than", "overlap"):
        assert part in problem


def test_load_no_toml_names_line(tmp_path: Path) -> None:
    """A file that is no TOML is told with the place of its mistake."""
    (problem,) = problems_of(tmp_path, "name = \n")
    assert problem.startswith("must be valid TOML: ")
    assert "line 1" in problem


BLOCK = builtin_scenario("block").read_text()
ASCAN = builtin_scenario("ascan").read_text()


@pytest.mark.parametrize(
    ("text", "old", "new", "expected"),
    [
        (
            BLOCK,
            "from_mm = 20, to_mm = 40, thickness_mm = 10.16",
            "from_mm = 20, to_mm = 40, thickness_mm = 0",
            "'part.steps[1].thickness_mm' must be > 0 (got 0)",
        ),
        (
            BLOCK,
            "from_mm = 20, to_mm = 40",
            "from_mm = 15, to_mm = 40",
            "'part' must have steps that do not overlap, not 0..20 and 15..40 (got a table)",
        ),
        (
            BLOCK,
            "thickness_mm = 10.16",
            "thickness_mm = 12.7",
            "'part' must have steps of different thickness",
        ),
        (BLOCK, "dwell_s = 6", "dwell_s = 0", "'motion.dwell_s' must be > 0 (got 0)"),
        (
            BLOCK,
            "order_mm = [12.7, 10.16, 7.62, 5.08]",
            "order_mm = [12.7, 9.5]",
            "'motion.order_mm[1]' must be the thickness of a step, 12.7, 10.16, 7.62, 5.08 mm "
            "(got 9.5)",
        ),
        (
            ASCAN,
            "sampling_mhz = 50",
            "sampling_mhz = 10",
            "'device[1].waveform' must have sampling_mhz > 2 · frequency_mhz",
        ),
        (
            ASCAN,
            "samples = 512",
            "samples = 32765",
            "'device[1].waveform' must have samples <= 32764, as the length of a block is 16 bits",
        ),
        (
            ASCAN,
            'value = "waveform"',
            'value = "thickness"',
            "'device[1]' must leave waveform out, or have waveform as its value",
        ),
        (
            ASCAN,
            "wrap_bits = 32",
            "wrap_bits = 40",
            "'device[1]' must have a clock of wrap_bits <= 32 when value is waveform",
        ),
        (
            ASCAN,
            "clock = { offset_us = 9_500_000, skew_ppm = 30, wrap_bits = 32 }",
            "clock = false",
            "'device[1]' must have a clock of wrap_bits <= 32 when value is waveform",
        ),
        (
            ASCAN,
            '{ kind = "tcp", port = 24017 }',
            '{ kind = "pty", baud = 115200 }',
            "'device[1].rate_hz' must be <= 11 for blocks of about 1037 bytes at 115200 baud",
        ),
    ],
)
def test_load_one_error_of_blocks(
    tmp_path: Path, text: str, old: str, new: str, expected: str
) -> None:
    """What is wrong with a step block or with A-scans has its sentence, too."""
    assert old in text
    (problem,) = problems_of(tmp_path, text.replace(old, new))
    assert problem.startswith(expected)


def test_load_steps_without_a_block(tmp_path: Path) -> None:
    """A motion over steps asks for a part that has some."""
    lines = [line for line in BLOCK.splitlines() if "from_mm" not in line]
    text = "\n".join(lines).replace("steps = [\n]\n", "")
    assert problems_of(tmp_path, text) == [
        "'part.steps' must list the steps that the motion goes over (got nothing)"
    ]


def test_load_waveform_of_other_devices(tmp_path: Path) -> None:
    """Waveforms need their table, and no instrument with encoder inputs has them."""
    bare = ASCAN[: ASCAN.index("[device.waveform]")]
    (problem,) = problems_of(tmp_path, bare)
    assert problem.startswith("'device[1]' must give waveform when value is waveform")
    axes = '[{ axis = "scan", counts_per_mm = 20 }]'
    combined = ASCAN.replace('kind = "gauge"', f'kind = "combined"\naxes = {axes}')
    (problem,) = problems_of(tmp_path, combined)
    assert problem.startswith("'device[1]' must have no waveform as its value")
