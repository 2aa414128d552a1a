"""A shift over forty spots on a real pseudo-terminal: steady, jumpy, dead and forgotten ones."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from support.daemon import swathe
from support.shell import ShellTerminal
from swathe_simulators.spot_gauge import HeldSpot, SpotGauge

pytestmark = pytest.mark.slow

NAMES = [f"P{number:02d}" for number in range(1, 41)]
JUMPY, DEAD, FORGOTTEN, TWICE, THIN, KEPT = "P13", "P21", "P30", "P05", "P33", "P08"


def wall(name: str) -> float:
    """Return the thickness at a spot, mm."""
    return 9.2 if name == THIN else 13.2 + NAMES.index(name) * 0.015


def station(folder: Path, port: str, *, spots: str = "") -> Path:
    """Write a station file whose spots are in a CSV file; return its path."""
    rows = [f"{name},14 mm,bracket {k // 8 + 1}" for k, name in enumerate(NAMES)]
    (folder / "spots.csv").write_text("name,nominal,place\n" + "\n".join(rows) + "\n")
    path = folder / "station.toml"
    path.write_text(f"""name = "penstock-spots"
[survey]
folder = "survey"
part = "Penstock 3, saddles"
operator = "K. Lind"
alert_below = "10 mm"
[spots]
file = "spots.csv"
max_spread = "0.1 mm"
steady_for = "300 ms"
{spots}
[device.gauge]
port = "{port}"
protocol.columns = [
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
""")
    return path


class Hand:
    """An operator with the gauge's probe, at the board of a run."""

    def __init__(self, gauge: SpotGauge, terminal: ShellTerminal) -> None:
        self.gauge, self.terminal = gauge, terminal

    def see(self, text: str) -> str:
        """Wait until the board shows a text from now on."""
        self.terminal.type("")
        return self.terminal.wait_for(text)

    def press(self, key: str, answer: str) -> str:
        """Press a key and wait for what the board answers."""
        self.terminal.type(key)
        return self.terminal.wait_for(answer)

    def lift(self) -> None:
        """Lift the probe."""
        self.gauge.lift()
        self.see("no echo: put the probe on")

    def read(self, name: str, following: str) -> None:
        """Read a steady spot."""
        self.gauge.put_on(HeldSpot(thickness_mm=wall(name)))
        self.see("STEADY: Enter takes it")
        self.press("\n", f"{name}: {int(wall(name))}.")
        self.see(f"next: {following}")

    def work(self, name: str, following: str) -> None:
        """Do what is to be done at a spot."""
        self.lift()
        if name == JUMPY:
            self.gauge.put_on(HeldSpot(thickness_mm=wall(name), kind="jumpy"))
            self.see("NOT STEADY: wait; Enter keeps it as jumpy")
            self.press("\n", f"{name} JUMPY")
            self.press("s", f"next: {following}")
        elif name == KEPT:
            self.gauge.put_on(HeldSpot(thickness_mm=wall(name), kind="jumpy", jump_mm=0.4))
            self.see("NOT STEADY: wait; Enter keeps it as jumpy")
            self.press(" ", f"{name} JUMPY")
            self.press("k", "accepted though its readings differ, because:")
            self.press("rough surface\n", f"{name} accepted by K. Lind: rough surface")
        elif name == DEAD:
            self.gauge.put_on(HeldSpot(thickness_mm=wall(name), kind="dead"))
            self.press("\n", "refused: no echo: put the probe on")
            self.press("d", "no reading is possible, because:")
            self.press("pitted\n", f"{name} closed by K. Lind: pitted")
        elif name == FORGOTTEN:
            self.press("S", f"next: {following}")
        else:
            self.read(name, following)
            if name == TWICE:
                self.press("\n", "refused: the probe was not lifted")


def files_of(folder: Path) -> dict[str, bytes]:
    """Return arrays and record, by name."""
    paths = [folder / "survey.json", *(p for p in folder.rglob("*.zarr/**/*") if p.is_file())]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def test_shift_over_forty_spots(tmp_path: Path) -> None:
    """The report has each spot's state; a rebuild gives the same bytes; a later run completes it."""
    with SpotGauge() as gauge, ShellTerminal(size=(24, 110)) as terminal:
        path = station(tmp_path, gauge.port)
        hand = Hand(gauge, terminal)
        terminal.type(f"{sys.executable} -m swathe run {path}\n")
        terminal.wait_for("next: P01 (spot 1 of 40) · bracket 1 · nominal 14.000 mm")
        for name, following in zip(NAMES, [*NAMES[1:], JUMPY], strict=True):
            hand.work(name, following)
        hand.see("37 of 40 done · 1 jumpy · 1 closed")
        hand.press("q", "q again ends the run")
        terminal.type("q")
        terminal.wait_for("survey: ")
        terminal.type("echo code $?\n")
        terminal.wait_for("code 3")
        survey = tmp_path / "survey"
        report = swathe("report", survey, check=True).stdout
        live = files_of(survey)
        swathe("rebuild", survey, check=True)
        assert files_of(survey) == live
        check_report(report)
        check_record(json.loads(live["survey.json"]))
        # Another day: what is left, and nothing else.
        terminal.type(f"{sys.executable} -m swathe run {path}\n")
        terminal.wait_for("next: P13 (spot 13 of 40)")
        hand.lift()
        hand.read(JUMPY, FORGOTTEN)
        hand.lift()
        gauge.put_on(HeldSpot(thickness_mm=wall(FORGOTTEN)))
        hand.see("STEADY: Enter takes it")
        hand.press("\n", "complete: the plan is covered")
    report = swathe("report", survey, check=True).stdout
    assert "100.00 % of 39 spots measured, target 100 % reached; 1 closed; minimum 9." in report
    assert "not done" not in report


def check_report(report: str) -> None:
    """Check the lines of the report of the first shift."""
    lines = {line.split()[0]: line.strip() for line in report.splitlines() if line.strip()}
    summary = "94.87 % of 39 spots measured, target 100 % not reached; 1 jumpy; 1 closed; minimum"
    assert summary in report
    assert "at P33; incomplete" in report
    assert lines[DEAD] == "P21  no reading possible: pitted; closed by K. Lind"
    assert lines[FORGOTTEN] == "P30  not done, nominal 14.000 mm"
    assert lines[JUMPY].startswith("P13  JUMPY, not done, nominal 14.000 mm, spread 1.2")
    assert "not counted, jumpy: 1" in report
    assert lines[KEPT].endswith("by K. Lind; accepted though jumpy: rough surface")
    assert lines["P01"].startswith(("P01  13.20", "P01  13.19"))
    assert ", 1 coupling, by K. Lind" in lines["P01"]
    assert "not done, 2 spots: P13, P30" in report
    assert "fitness for service" in report


def check_record(record: dict[str, object]) -> None:
    """Check values against the walls that were there."""
    spots = record["spots"]
    assert isinstance(spots, list)
    for spot in spots:
        name = spot["name"]
        if name in (JUMPY, DEAD, FORGOTTEN):
            assert spot["value"] is None
        elif name != KEPT:
            assert spot["value"] == pytest.approx(wall(name), abs=0.02)
            assert [one["state"] for one in spot["couplings"]] == ["counted"]
    alarms = record["alarms"]
    assert isinstance(alarms, list)
    details = [alarm["detail"] for alarm in alarms if alarm["kind"] == "below alert"]
    assert len(details) == 1
    assert details[0].startswith("spot P33: 9.")
