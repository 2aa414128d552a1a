"""A controller in inches, and one that restarts without a greeting: the whole daemon on real ports."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

import aiomqtt
import pytest

from support.broker import Broker
from support.crawl import crawl_station, crawler_of, crawler_scenario
from support.daemon import DaemonProcess, swathe
from swathe.store import read_survey_record
from swathe_simulators import Scenario, World

pytestmark = pytest.mark.slow


async def retain(port: int, topics: list[str], payload: bytes) -> None:
    """Have a broker keep a message on each of these topics of the station."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        for topic in topics:
            await client.publish(f"swathe/penstock-belt/{topic}", payload, qos=1, retain=True)


def test_controller_in_inches_is_stopped_in_the_first_move(
    serve: Callable[..., World],
    daemon: Callable[..., DaemonProcess],
    ports: Path,
    tmp_path: Path,
    mosquitto: Broker,
) -> None:
    """The station file lacks G21: 10 mm would be 254 mm, and the raster beyond the end of the rails.

    What was kept on the station's topics, nested too deep to be parsed, hides the exit code of no fault.
    """
    asyncio.run(retain(mosquitto.port, ["command", "gap/7", "crawler"], b"[" * 4000))
    data = crawler_scenario(coupling=False).model_dump(mode="json")
    data["motion"]["units"] = "inch"
    world = serve(Scenario.model_validate(data), speed=1)
    rest = f'[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    text = crawl_station(ports, rest=rest).replace('"G21", ', "")
    (station := tmp_path / "station.toml").write_text(text)
    code, output = daemon(station, "--arm").finish()
    assert code == 4, output
    assert "one of the two is in inches; see motion.protocol.arm" in " ".join(output.split())
    log = crawler_of(world).log
    assert log.violations == []
    assert len(log.all("stop")) >= 1
    begun, ended = log.all("homed")[-1].scan_mm, log.all("rest")[-1].scan_mm
    print(f"stopped after {ended - begun:.1f} mm of 254 mm")
    # 10.7 mm are tolerated; the rest is what this machine, its load and the crawler's brakes take.
    assert 10.7 < ended - begun < 127
    assert log.all("rest")[-1].index_mm == pytest.approx(0.0, abs=0.1)
    survey = tmp_path / "survey"
    record = read_survey_record(survey / "survey.json")
    assert record.crawler is not None
    (found,) = record.crawler.first_moves
    assert not found.sound
    assert "10.0 mm commanded" in found.text
    # Nothing counts that was read before it was known where.
    assert record.progress.measured == 0
    assert {str(gap.cause) for gap in record.gaps} == {"unvisited"}
    before = json.loads((survey / "survey.json").read_bytes())
    assert swathe("rebuild", survey, "--no-picture").returncode == 0
    assert json.loads((survey / "survey.json").read_bytes()) == before


def test_controller_that_restarts_without_a_greeting_is_a_fault_and_moves_no_more(
    serve: Callable[..., World], daemon: Callable[..., DaemonProcess], ports: Path, tmp_path: Path
) -> None:
    """In the second line it restarts; its zero would be anywhere, and the raster would begin there."""
    world = serve(crawler_scenario(coupling=False, mishap={"restart_in_move": 8}), speed=8)
    (station := tmp_path / "station.toml").write_text(crawl_station(ports, speed=8))
    code, output = daemon(station, "--arm").finish()
    assert code == 4, output
    words = " ".join(output.split())
    assert "incomplete: stopped: motor and encoder disagree: " in words
    assert "the controller has restarted or lost its position: it reports its zero" in words, output
    log = crawler_of(world).log
    assert log.violations == []
    (restart,) = log.all("restarted")
    rests = [rest for rest in log.all("rest") if rest.world_time_s >= restart.world_time_s]
    places = {(round(rest.scan_mm), round(rest.index_mm)) for rest in rests}
    assert len(places) == 1, places
