"""The set-up of an instrument, without a port: bytes are handed to its decoder."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.echo_model import scans
from swathe.errors import SwatheError
from swathe.live import setup_bench
from swathe.live.setup_bench import SetupBench

STATION = """
name = "strip"
[survey]
folder = "survey"
[scan]
length = "600 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 20
[calibration]
velocity = "5920 m/s"
zero_offset = "0.05 us"
[echo]
time_of_flight = "back wall"
[[echo.gate]]
name = "back wall"
start = "0.6 us"
width = "6 us"
threshold = "30 %"
[sensitivity]
reference = "80 %"
tolerance = "2 dB"
block = "B-7"
step = "10 mm"
[device.encoder]
port = "/dev/null"
[device.encoder.protocol]
columns = [{ is = "counts", axis = "scan" }]
[device.instrument]
driver = "frames"
port = "/dev/null"
[device.instrument.protocol]
byte_order = "big"
framing = { kind = "length_prefix", sync = [0xA5, 0x5A], adds = 4 }
fields = [
  { is = "length", type = "u2" },
  { is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 },
]
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a station file."""
    path = tmp_path / "strip.toml"
    path.write_text(STATION)
    return path


def send(bench: SetupBench, height: float = 80.0, *, count: int = 1) -> None:
    """Have A-scans with an echo at 4 µs arrive now."""
    data = np.rint(scans([[(4.0, height)]])[0] * 327.67).astype(">i2").tobytes()
    frame = b"\xa5\x5a" + len(data).to_bytes(2, "big") + data
    link = bench._reader.link
    link.tally.state = "open"
    link.take(frame * count, time.monotonic_ns())
    link.decode(now=time.monotonic_ns())


def entries(path: Path) -> list[dict[str, Any]]:
    """Return the entries of the set-up log."""
    log = path.with_name("strip.toml.setup.jsonl")
    return [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []


def test_change_acts_on_the_newest_ascan_at_once(path: Path) -> None:
    """The A-scan that is shown is measured by the draft, and so are those to come."""
    bench = SetupBench(path)
    send(bench)
    before = bench.state()
    assert before.gauge.thickness == pytest.approx(5.92 * (4.05 - 0.05) / 2, abs=5e-3)
    assert not bench.unsaved
    bench.change("back wall", "threshold", "90 %")
    state = bench.state()
    assert state.gauge.problem == "gate 'back wall': no echo reaches 90 %"
    assert state.unsaved == ("echo.gate[0].threshold (back wall): 30 % -> 90 %",)
    assert state.gates[0].changed == {"threshold"}
    send(bench)
    assert bench.state().gauge.thickness is None
    assert bench.revert() == "1 change undone"
    assert bench.state().gauge.problem == ""
    assert not bench.unsaved


@pytest.mark.parametrize(
    ("key", "direction", "after"),
    [
        ("start", 1, "0.65 us"),
        ("start", -1, "0.55 us"),
        ("width", 1, "6.05 us"),
        ("threshold", -1, "29 %"),
        ("measure", 1, "flank"),
        ("polarity", 1, "negative"),
        ("polarity", -1, "either"),
    ],
)
def test_steps(path: Path, key: str, direction: int, after: str) -> None:
    """Times go by 0.05 µs, thresholds by 1 %, choices to the next one."""
    bench = SetupBench(path)
    if after == "either":  # which a zero crossing cannot have
        bench.change("back wall", "measure", "peak")
    bench.step("back wall", key, direction)
    assert bench.state().gates[0].values[key] == after


def test_save_logs_the_name_and_refuses_a_changed_file(path: Path) -> None:
    """Who wrote what is in the log; a file that somebody changed stays, and is not logged."""
    bench = SetupBench(path)
    assert bench.save("A. Kern") == "nothing to write: the gates are as in the station file"
    bench.change("back wall", "start", "0.7 us")
    assert bench.save("A. Kern").startswith(f"written to {path}; as it was before: strip.toml.")
    (entry,) = entries(path)
    assert (entry["kind"], entry["by"]) == ("gates", "A. Kern")
    assert entry["changes"] == ["echo.gate[0].start (back wall): 0.6 us -> 0.7 us"]
    assert (path.parent / entry["backup"]).read_text() == STATION
    bench.change("back wall", "start", "0.8 us")
    path.write_text(STATION + "# other\n")
    with pytest.raises(SwatheError, match="was changed since it was read"):
        bench.save("A. Kern")
    assert len(entries(path)) == 1
    assert bench.unsaved


def test_record_of_other_gates_is_refused_at_once(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As soon as the gates are not those of the record there is no thickness, and the reason is shown."""

    def differs(station: Any) -> list[str]:
        return [] if station.echo.gate[0].start == 0.6 else ["'echo.gate[0].start' differs"]

    monkeypatch.setattr(setup_bench, "check_conditions", differs)
    bench = SetupBench(path)
    send(bench)
    assert bench.state().refused == ()
    bench.change("back wall", "start", "0.7 us")
    state = bench.state()
    assert state.refused == ("'echo.gate[0].start' differs",)
    assert state.gauge.thickness is None
    assert state.gauge.time_of_flight == pytest.approx(4.05, abs=1e-3)
    assert state.gauge.problem == "no thickness: the calibration record is of other settings"
    bench.revert()
    assert bench.state().gauge.thickness is not None


def run_check(bench: SetupBench, act: Callable[[], None]) -> str:
    """Check the sensitivity while `act` is done again and again."""

    async def check() -> str:
        task = asyncio.create_task(bench.check_sensitivity("A. Kern"))
        while not task.done():
            act()
            await asyncio.sleep(0.02)
        return task.result()

    return asyncio.run(check())


def test_sensitivity_check_is_logged(path: Path) -> None:
    """Twenty readings that are newer than the request give the height, its deviation and the verdict."""
    bench = SetupBench(path)
    send(bench, 40.0, count=30)  # before the request: another echo
    assert run_check(bench, lambda: send(bench, 72.0)) == (
        "sensitivity passed: -0.92 dB from 80 %, tolerance 2 dB"  # 20 log10(72 / 80) = -0.915
    )
    (entry,) = entries(path)
    assert entry["measured"] == pytest.approx(72.0, rel=0.005)
    assert (entry["by"], entry["readings"], entry["block"], entry["step"]) == (
        "A. Kern",
        20,
        "B-7",
        10.0,
    )
    state = bench.state()
    assert state.passed is True
    assert "by A. Kern: passed, -0.9" in state.sensitivity
    assert state.checking == ""
    assert run_check(bench, lambda: send(bench, 60.0)).startswith("sensitivity FAILED: -2.5")
    assert bench.state().passed is False


def test_sensitivity_check_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With gates that are not in the file, an unsteady echo or no table nothing is recorded."""
    bench = SetupBench(path)
    bench.change("back wall", "start", "0.7 us")
    with pytest.raises(SwatheError, match="write the gates first"):
        run_check(bench, lambda: send(bench))
    bench.revert()
    calls = iter(range(1000))

    def change_later() -> None:
        if next(calls) == 3:
            bench.step("back wall", "threshold", 1)

    with pytest.raises(SwatheError, match="the gates were changed: check again"):
        run_check(bench, change_later)
    bench.revert()
    monkeypatch.setattr(setup_bench, "_PATIENCE_SECONDS", 0.5)
    heights = iter([80.0, 50.0] * 1000)
    with pytest.raises(SwatheError, match=r"no steady reference echo in 0\.5 s: "):
        run_check(bench, lambda: send(bench, next(heights)))
    assert bench.state().checking == ""
    path.write_text(
        STATION.replace(
            "[sensitivity]", "[[mark]]\nname = 'x'\nscan = '1 mm'\n[uncertainty]"
        ).replace('reference = "80 %"\ntolerance = "2 dB"\nblock = "B-7"\nstep = "10 mm"', "")
    )
    with pytest.raises(SwatheError, match="add \\[sensitivity\\]"):
        run_check(SetupBench(path), lambda: None)
    assert entries(path) == []
