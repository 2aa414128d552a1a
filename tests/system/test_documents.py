"""Shell sessions and Python blocks of README and the guide, run as a newcomer runs them."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zarr

from support.broker import Broker, require
from support.daemon import wait_for
from support.documents import ROOT, Commands, blocks
from swathe.demo.stage import write_station
from swathe.station import read_station
from swathe.store import SurveyFolder
from swathe_simulators import World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow


def start(arguments: str, folder: Path) -> subprocess.Popen[str]:
    """Start `swathe` with the words behind it in a document."""
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "swathe", *shlex.split(arguments)],
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def run(arguments: str, folder: Path, *, code: int = 0, seconds: float = 100) -> str:
    """Run `swathe` to its end; return what it printed."""
    process = start(arguments, folder)
    try:
        output, _ = process.communicate(timeout=seconds)
    finally:
        process.kill()
    assert process.returncode == code, output
    return output


@contextlib.contextmanager
def running(arguments: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Run `swathe` while inside."""
    process = start(arguments, folder)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def python(document: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Run every Python block of a document in a folder; return what each printed."""
    monkeypatch.chdir(folder)
    printed = []
    for block in blocks("python", of=ROOT / document):
        with contextlib.redirect_stdout(io.StringIO()) as out:
            exec(compile(block.text, str(block), "exec"), {})  # noqa: S102  our own documents
        printed.append(out.getvalue())
    return printed


def assert_wall_is_true(arrays: Path, folder: Path) -> None:
    """Compare mean thicknesses with the simulated wall, where that is even within a cell.

    A velocity that is off by 0.1 % would show as 14 µm.
    """
    scenario = load_scenario(builtin_scenario("profile"))
    part = World(scenario, ports_dir=folder / "unused").part
    group: Any = zarr.open_group(arrays, mode="r")
    places = group["scan"][:][:, None] + np.linspace(-1, 1, 9)
    wall = part.thickness(places, np.zeros_like(places))
    even = (np.ptp(wall, axis=1) < 0.01) & (group["hits"][0] > 0)
    assert np.count_nonzero(even) > 500
    off = group["thickness_mean"][0][even] - wall[even].mean(axis=1)
    assert abs(float(np.mean(off))) < 0.004
    assert group.attrs["velocity_mm_per_us"] == scenario.part.velocity_mm_per_us
    assert group.attrs["zero_offset_us"] == 0.31
    assert group.attrs["delay_ms_instrument"] == 6.0


def damage_and_hand_over(guide: Commands, folder: Path) -> None:
    """Run the guide's commands that verify, repair, list and sign a survey, and those of a receiver."""
    survey = folder / "profile"
    chunk = survey / "survey.zarr" / "thickness" / "c" / "0" / "1"
    before = chunk.read_bytes()
    chunk.write_bytes(before[:-1] + bytes([before[-1] ^ 1]))
    output = run(guide.take("swathe"), folder, code=1)
    assert "DAMAGED: survey.zarr/thickness/c/0/1" in output
    run(guide.take("swathe"), folder)
    assert chunk.read_bytes() == before

    keygen = require("ssh-keygen", "openssh-client")
    key = folder / "key"
    subprocess.run([keygen, "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    words = guide.take("swathe")
    assert "~/.ssh/station_ed25519" in words
    assert "signature: " in run(words.replace("~/.ssh/station_ed25519", str(key)), folder)
    (survey / "signers").write_text(f"station {key.with_suffix('.pub').read_text()}")
    for program in ("cd", "sha256sum", "ssh-keygen"):
        words = f"{program} {guide.take(program)}"
        subprocess.run(["bash", "-c", words], cwd=folder if program == "cd" else survey, check=True)


def test_readme_from_the_station_to_python(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """README's station is checked, scans the simulated line and leaves its one gap.

    The pages of the guide that continue with this survey are run on it as well.
    """
    readme, guide = Commands("README.md"), Commands("daemon/guide/survey.md")
    (tmp_path / "profile.toml").write_text(blocks("toml", of=ROOT / "README.md")[0].text, "utf-8")
    with running(readme.take("swathe"), tmp_path) as simulator:
        wait_for((tmp_path / "ports" / "instrument").exists, 30, "the simulated port")
        suggested = run(readme.take("swathe"), tmp_path, code=1)  # the thickness is a guess
        assert 'checksum = { kind = "xor", after = "*" }' in suggested
        assert "the file is good" in run(readme.take("swathe"), tmp_path)
        with running(readme.take("swathe"), tmp_path) as daemon:
            record = tmp_path / "profile" / "survey.json"
            wait_for(record.exists, 30, "the survey")
            assert simulator.stdin is not None
            assert simulator.stdout is not None
            simulator.stdin.write("\n")
            simulator.stdin.flush()
            for line in simulator.stdout:
                if "motion is done" in line:
                    break
            daemon.send_signal(signal.SIGTERM)
            output, _ = daemon.communicate(timeout=30)
        assert daemon.returncode == 3, output
    assert "no signal" in run(readme.take("swathe"), tmp_path, code=3)
    assert "missing in 1 open gap, by cause:" in run(readme.take("swathe"), tmp_path)
    assert readme.left == []
    (line,) = python("README.md", tmp_path, monkeypatch)
    assert line.endswith("1 gaps\n")
    assert_wall_is_true(tmp_path / "profile" / "survey.zarr", tmp_path)

    run(guide.take("swathe"), tmp_path, code=3)
    assert '"cause": "no signal"' in run(guide.take("swathe"), tmp_path, code=3)
    run(guide.take("swathe"), tmp_path)
    record = tmp_path / "profile" / "survey.json"
    minimum = json.loads(record.read_bytes())["progress"]["minimum"]
    assert "revision 1 discards: 20…30 mm (up to" in run(guide.take("swathe"), tmp_path)
    assert json.loads(record.read_bytes())["revisions"][0]["readings"] > 0
    assert "revision 1 (20…30 mm) is taken back" in run(guide.take("swathe"), tmp_path)
    before = (tmp_path / "profile" / "survey.json").read_bytes()
    run(guide.take("swathe"), tmp_path)
    assert (tmp_path / "profile" / "survey.json").read_bytes() == before
    run(guide.take("swathe"), tmp_path)
    assert (tmp_path / "profile" / "survey.json").read_bytes() != before
    run(guide.take("swathe"), tmp_path)
    assert (tmp_path / "profile" / "survey.json").read_bytes() == before
    damage_and_hand_over(guide, tmp_path)
    assert guide.left == []
    thinnest, *others = python("daemon/guide/survey.md", tmp_path, monkeypatch)
    assert thinnest.endswith(" mm\n")
    assert float(thinnest.split()[0]) == pytest.approx(minimum, abs=0.0006)
    assert others[1] == "101 101\n"


def test_guide_to_mqtt(tmp_path: Path, mosquitto: Broker) -> None:
    """`watch` reaches the broker that the page names and reports that no station is there."""
    commands = Commands("daemon/guide/mqtt.md")
    words = commands.take("swathe").replace("18830", str(mosquitto.port))
    assert str(mosquitto.port) in words
    with running(words, tmp_path) as watch:
        assert watch.stdout is not None
        for line in watch.stdout:
            if "connected" in line:
                break
        watch.send_signal(signal.SIGINT)
        output, _ = watch.communicate(timeout=20)
    assert watch.returncode == 0, output
    assert commands.left == []


def test_guide_to_the_crawler(tmp_path: Path) -> None:
    """The [motion] table of the page drives the simulated crawler over two lines."""
    commands = Commands("daemon/guide/crawler.md")
    (motion,) = blocks("toml", of=ROOT / "daemon" / "guide" / "crawler.md")
    station = tmp_path / "crawler.toml"
    (tmp_path / "ports").mkdir()
    write_station(station, ports=Path("ports"), speed=1, broker_port=18830)
    plan = station.read_text("utf-8").partition("\n[motion]")[0]
    plan = plan.replace('"penstock-3"', '"crawler"').replace("240 mm", "8 mm")
    plan = plan[: plan.index("[[exclude]]")] + plan[plan.index("[calibration]") :]
    station.write_text(f"{plan}\n{motion.text}", "utf-8")
    assert read_station(station)[0].shape == (2, 226)
    run(commands.take("swathe"), tmp_path)
    assert (tmp_path / "plan.png").exists()
    scenario = load_scenario(builtin_scenario("belt"))
    with World(scenario, ports_dir=tmp_path / "ports"):
        run(commands.take("swathe"), tmp_path)
    assert "moved by a crawler" in run(commands.take("swathe"), tmp_path)
    assert commands.left == []
    assert SurveyFolder(tmp_path / "crawler").begun


def at_block(
    arguments: str, folder: Path, world: World, steps: list[float], *, code: int = 0
) -> str:
    """Run `swathe`; at each prompt put the probe on the next step (mm) and press Enter."""
    process = start(arguments, folder)
    assert process.stdin is not None
    assert process.stdout is not None
    output = ""
    try:
        for step in steps:
            prompts = output.count("press Enter")
            while output.count("press Enter") == prompts:
                character = process.stdout.read(1)
                assert character, output
                output += character
            assert world.wait_started(30)
            settled = world.put_on(step) + 0.3
            while world.now_s < settled:
                time.sleep(0.02)
            process.stdin.write("\n")
            process.stdin.flush()
        output += process.communicate("q\n", timeout=30)[0]
    finally:
        process.kill()
    assert process.returncode == code, output
    return output


def test_guide_to_calibration(tmp_path: Path) -> None:
    """Calibrate, check, scan, a check that fails, its override: on the simulated block and line."""
    page = "daemon/guide/calibration.md"
    commands = Commands(page)
    tables, record, *_ = blocks("toml", of=ROOT / page)
    (readme,) = blocks("toml", of=ROOT / "README.md")
    plan = re.sub(r"^\[calibration\](?:.+\n)+", "", readme.text, flags=re.MULTILINE)
    plan = plan.replace('folder = "profile"', 'folder = "strip"').replace('"2 m"', '"100 mm"')
    station = tmp_path / "strip.toml"
    station.write_text(f"{plan}\n{tables.text}", "utf-8")
    line = load_scenario(builtin_scenario("profile"))
    block = load_scenario(builtin_scenario("block"))
    # Long enough in the air for a lifted probe, which is seen by its echo.
    quick = block.motion.model_copy(update={"lift_s": 0.5, "wait_s": 0.3})
    block = block.model_copy(update={"device": line.device, "motion": quick})
    ports = tmp_path / "ports"
    ports.mkdir()

    with World(block, ports_dir=ports) as world:
        rounds = [12.7, 10.16, 7.62, 5.08] * 3
        output = at_block(commands.take("swathe"), tmp_path, world, [*rounds, 5.08])
        found = re.search(r"zero offset ([0-9.]+) µs ± 0\.00", output)
        assert found is not None, output
        assert float(found[1]) == pytest.approx(0.31, abs=0.02)
        assert "with 8 degrees of freedom, all steps pooled" in " ".join(output.split())
        own, _, others = tables.text.partition("\n\n")
        assert own.startswith("[calibration]")
        station.write_text(f"{plan}\n{record.text}\n{others}", "utf-8")
        output = at_block(commands.take("swathe"), tmp_path, world, [12.7, 5.08])
        assert "check 1 passed" in output
    with World(line, ports_dir=ports):
        run(commands.take("swathe"), tmp_path)
    drifted = block.part.model_copy(update={"velocity_mm_per_us": 6.05})
    with World(block.model_copy(update={"part": drifted}), ports_dir=ports) as world:
        output = at_block(commands.take("swathe"), tmp_path, world, [12.7, 5.08], code=3)
        assert "check 2 FAILED: 51 cells" in output
        output = run(commands.take("swathe"), tmp_path)
        assert "expanded uncertainty" in output
        assert "51 cells SUSPECT" in output
        assert "check failed" in run(commands.take("swathe"), tmp_path, code=3)
        assert "100.00 % of 51 cells measured" in run(commands.take("swathe"), tmp_path)

        words = commands.take("swathe").replace("1 m", "60 mm")  # between the outer steps
        assert "60 mm" in words
        output = at_block(words, tmp_path, world, [12.7, 5.08] * 3)
        assert "scan.counts_per_mm = 19.2" in output
        output = at_block(commands.take("swathe"), tmp_path, world, [12.7, 5.08])
        assert "60.00 mm, 2.362 in" in output
    assert "no delay to take off" in run(commands.take("swathe"), tmp_path)
    assert commands.left == []
