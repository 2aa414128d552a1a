"""A round of `swathe verify` by the bytes of two gauges in pseudo-terminals: from bytes to the record."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from daemon.handmade import VELOCITY, line
from daemon.pipeline.test_probes import text_of
from drivers.doubles import PtyPort
from swathe.live.calibration_check import StepAnswer, run_calibration_check
from swathe.live.check_round import CheckRound
from swathe.pipeline import Check, CheckPhase
from swathe.station import parse_station
from swathe.store import SurveyFolder, record_of, replay

PROBES = {"gauge": (0.0, 0.0), "second": (0.0, 3.0), "third": (0.0, 6.0)}
VERIFICATION = '\n[verification]\nsteps = ["12 mm"]\ntolerance = "0.1 mm"\nblock = "B-7"\n'


async def test_each_probe_is_read_from_its_own_port_and_one_is_left_out(tmp_path: Path) -> None:
    """The second one fails; the record of a rebuild has what the round returned."""
    text = text_of(PROBES) + VERIFICATION
    station = parse_station(
        text.replace('port = "ports/', f'port = "{tmp_path}/port-'), "bench.toml"
    )
    asked: list[str] = []
    made: list[Check] = []

    async def ask(around: CheckRound) -> StepAnswer:
        asked.append(around.head)
        return StepAnswer.SKIP if around.name == "third" else StepAnswer.READY

    with (
        PtyPort(tmp_path / "port-gauge") as first,
        PtyPort(tmp_path / "port-second") as second,
        PtyPort(tmp_path / "port-third"),
    ):

        async def write() -> None:
            while True:
                ms = time.monotonic_ns() // 1_000_000
                first.send(line(f"R,{ms},{2 * 12.03 / VELOCITY:.6f},E"))
                second.send(line(f"R,{ms},{2 * 12.4 / VELOCITY:.6f},E"))
                await asyncio.sleep(0.004)

        writing = asyncio.create_task(write())
        try:
            outcome = await run_calibration_check(
                station,
                text,
                SurveyFolder(tmp_path / "survey"),
                phase=CheckPhase.BEFORE,
                by="Kim",
                tolerance_of_steadiness=lambda _: 0.05,
                ask=ask,
                show=lambda *_: None,
                refused=asked.append,
                made=made.append,
            )
        finally:
            writing.cancel()
    assert asked == ["probe gauge, 1 of 3: ", "probe second, 2 of 3: ", "probe third, 3 of 3: "]
    assert outcome.checks == made
    assert [(one.probe_name, one.passed) for one in made] == [("gauge", True), ("second", False)]
    assert outcome.skipped == ["third"]
    assert [one.steps[0].readings for one in made] == [20, 20]
    assert abs(made[0].worst - 0.03) < 1e-3
    record = record_of(replay(SurveyFolder(tmp_path / "survey")))
    assert [(one.probe, one.passed) for one in record.checks] == [
        ("gauge", True),
        ("second", False),
    ]
