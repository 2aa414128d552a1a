"""A crawler with four probes, one of which dies in mid-raster: the whole daemon on real ports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from support.crawl import crawler_of, drive_crawler, marks, until
from swathe.cli.arming import planned
from swathe.draft import PlanWishes, simulated_draft, station_file_text
from swathe.journal import MarkKind
from swathe.live import Daemon
from swathe.station import read_station
from swathe.store import read_survey_record
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow

SPEED = 12


def kill_probe(world: World, number: int) -> None:
    """Let a probe of the gauge have no echo from now on."""
    probes = world._outlets["gauge"].device._probes
    probes[number] = replace(probes[number], dead_from_s=0.0)


async def test_rows_of_a_probe_that_dies_are_scanned_by_its_neighbours(
    serve: Callable[..., World], ports: Path, tmp_path: Path
) -> None:
    """Two passes and what is next to the lug; then back, and only what the plan named is missing."""
    data = load_scenario(builtin_scenario("crawler")).model_dump(mode="json")
    data["motion"]["mishap"] = {}
    data["fault"] = []
    data["device"][1] |= {
        "probes": [
            {"name": f"p{k}", "input": k + 1, "scan_mm": 6.0 * (k % 2), "index_mm": 8.0 * k}
            for k in range(4)
        ],
        "sends": "input",
        "rate_hz": 240,
        "port": {"kind": "pty", "baud": 460_800},
    }
    scenario = Scenario.model_validate(data)
    text = station_file_text(
        simulated_draft(scenario, PlanWishes(cell="8 mm"), name="array").tables
    )
    for old, new in (
        ('"ports/', f'"{ports}/'),
        ('length = "104 mm"', 'length = "56 mm"'),
        ('delay = "2 ms"', f'delay = "{2 / SPEED:.3f} ms"'),
        ('delay = "9 ms"', f'delay = "{9 / SPEED:.3f} ms"'),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "array.toml"
    path.write_text(text)
    plan, _ = planned(read_station(path)[0])
    world = serve(scenario, speed=SPEED)

    async def meanwhile(daemon: Daemon) -> None:
        crawl = daemon.crawl
        assert crawl is not None
        # The second pass has begun.
        await until(lambda: crawl.raster.line is not None and crawl.raster.line[0] > 4)
        kill_probe(world, 2)

    run = await drive_crawler(path, seconds=60, meanwhile=meanwhile)
    assert any(
        words.startswith(f"raster of {plan.pass_count} passes over 8 lines") for words in run.words
    )
    assert any(words.startswith("returning to ") for words in run.words), run
    assert crawler_of(world).log.violations == []
    survey = tmp_path / "array"
    record = read_survey_record(survey / "survey.json")
    lost = [gap for gap in record.gaps if gap.cause == "no signal"]
    assert lost
    assert {gap.status for gap in lost} == {"closed"}
    named = {(item.line, *item.extent) for item in plan.left_out}
    for gap in (gap for gap in record.gaps if gap.status == "open"):
        assert any(low <= gap.scan.low and gap.scan.high <= high for _, low, high in named), gap
    assert [
        len(mark.detail["stretches"]) > 0 for mark in marks(survey, MarkKind.RASTER_PLANNED)
    ] == [
        True,
        False,
    ]
