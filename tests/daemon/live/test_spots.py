"""Reading spots in a run: what is taken, refused and published, and what the board shows."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from rich.text import Text

from daemon.pipeline.scene_devices import Gauge
from daemon.spot_journal import spot_station
from swathe.board import Board, Panel, Stations, StationView, spot_lines
from swathe.board.key_table import SPOT_KEYS
from swathe.journal import Chunk, Mark, MarkKind, PortChange, Tick, read_journal
from swathe.live.commands import Commands
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.session import Session
from swathe.live.spots import SpotWork
from swathe.messages import CommandMessage, SpotMessage, SpotsMessage, StateMessage
from swathe.pipeline import SpotState
from swathe.station import parse_station
from swathe.store import SurveyFolder

GUIDE = Path(__file__).parents[3] / "daemon" / "guide"
MS = 1_000_000


class WatchedPanel(Panel):
    """The panel of a board in another process."""

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:  # noqa: ARG002
        """Return a heading."""
        return Text("watched")


class Bench:
    """A run over spots without ports, whose clock the test moves."""

    def __init__(self, folder: Path, text: str) -> None:
        self.station = parse_station(text, "bench.toml")
        self.time = 1_000 * MS
        self.folder = SurveyFolder(folder)
        self.session = Session(self.folder, self.station, text, clock=lambda: self.time)
        self.mirror = Mirror()
        self.work = SpotWork(self.session, self.mirror, clock=lambda: self.time)
        self.commands = Commands(
            self.station, self.session, stop=lambda _: None, ending=lambda: False
        )
        self.commands.spots = self.work
        self._number = 0

    def begin(self) -> None:
        """Begin the run."""
        self.session.resume()
        self.session.enter(PortChange(self.time, "gauge", "open", ""))

    def send(self, line: str, times: int) -> None:
        """Let the gauge send lines, one each 20 ms."""
        for _ in range(times):
            self.time += 20 * MS
            self.session.enter(Chunk(self.time, "gauge", f"{line}\r\n".encode()))
            self.time += 1
            self.session.enter(Tick(self.time))

    def hold(self, *walls: float) -> None:
        """Lift the probe, and hold it on a spot."""
        self.send("0.000,N", 3)
        for k in range(15):
            self.send(f"{walls[k % len(walls)]:.3f},E", 1)

    def say(self, command: str, **other: str) -> str:
        """Give a command and return the reply's text."""
        self._number += 1
        message = CommandMessage.model_validate(
            {"id": str(self._number), "by": "Kim", "command": command, **other}
        )
        return self.commands.execute(message, Origin.MQTT).detail

    def marks(self) -> list[MarkKind]:
        """Return the kinds of the marks in the journal."""
        self.session.flush(sync=False)
        entries = read_journal(self.folder.journal)
        return [entry.kind for entry in entries if isinstance(entry, Mark)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Return a run over three spots."""
    made = Bench(tmp_path / "survey", spot_station())
    with made.session:
        made.begin()
        yield made


def test_take_reads_the_chosen_spot_and_goes_on(bench: Bench) -> None:
    """The reply has the value and the next spot; by default it is the one to be read."""
    bench.hold(11.0)
    assert bench.say("take") == "P1: 11.000 mm, spread 0.000 mm; next: P2"
    bench.hold(11.5)
    assert bench.say("take", spot="P3") == "P3: 11.500 mm, spread 0.000 mm; next: P2"
    bench.hold(12.0)
    assert bench.say("take") == "P2: 12.000 mm, spread 0.000 mm; no spot is left"
    bench.hold(12.0)
    assert bench.say("take") == "refused: no spot is left: name the one that is meant"
    assert bench.session.pipeline.target_reached


def test_take_is_refused_without_evidence(bench: Bench) -> None:
    """Nothing is journalled where the probe is off, was not held for long or not lifted."""
    assert bench.say("take") == "refused: the gauge sends nothing yet"
    bench.send("0.000,N", 3)
    assert bench.say("take") == "refused: no echo: put the probe on"
    bench.send("11.000,E", 4)
    assert "4 readings over 0.1 s of 10 readings over 0.2 s" in bench.say("take")
    bench.hold(11.0)
    assert bench.say("take").startswith("P1: ")
    bench.send("11.000,E", 15)
    assert bench.say("take").startswith("refused: the probe was not lifted")
    bench.hold(11.0)
    bench.say("pause", text="couplant")
    assert bench.say("take") == "refused: paused by Kim"
    bench.say("resume")
    assert bench.say("take", spot="P9") == "refused: there is no spot 'P9'"
    assert bench.marks().count(MarkKind.SPOT_READ) == 1


def test_jumpy_spot_stays_until_it_is_accepted_or_read_again(bench: Bench) -> None:
    """Only a jumpy one is accepted, and only with a reason."""
    bench.hold(11.0, 11.0, 11.5)
    assert bench.say("accept spot", text="rough").startswith("refused: P1 is open")
    jumpy = "P1 JUMPY: 11.000 mm, spread 0.500 mm; it stays open: read it again, or accept it"
    assert bench.say("take") == jumpy
    assert bench.work.state().spot == "P1"
    assert bench.say("accept spot", text="rough") == "P1 accepted by Kim: rough; next: P2"
    assert bench.say("reopen spot", text="better couplant", spot="P1").startswith("P1 is to be")
    assert bench.work.state().spot == "P1"
    bench.hold(11.2)
    assert bench.say("take") == "P1: 11.200 mm, spread 0.000 mm; next: P2"


def test_couplings_that_differ_are_reported(tmp_path: Path) -> None:
    """Between two readings of a spot the probe is lifted; they must agree."""
    bench = Bench(tmp_path / "survey", spot_station(spots="couplings = 2"))
    with bench.session:
        bench.begin()
        bench.hold(11.0)
        reply = bench.say("take")
        assert reply == "P1: 11.000 mm, spread 0.000 mm; lift the probe and read it again, 1 more"
        assert "1 of 2 readings" in spot_lines(bench.work.state())[0]
        bench.hold(11.4)
        assert "its readings differ by 0.400 mm" in bench.say("take")
        assert bench.work.state().jumpy == 1


def test_dead_spot_is_closed_and_reopened(bench: Bench) -> None:
    """By name and reason; it is read again only when it was reopened."""
    assert bench.say("close spot", text="pitted") == "P1 closed by Kim: pitted; next: P2"
    bench.hold(11.0)
    refused = "refused: P1 is closed: pitted; reopen it to read it"
    assert bench.say("take", spot="P1") == refused
    assert bench.say("close spot", text="again", spot="P1").startswith("refused: P1 is closed")
    assert bench.say("reopen spot", text="cleaned", spot="P1").startswith("P1 is to be read again")
    assert bench.say("take").startswith("P1: 11.000 mm")
    assert bench.say("close spot", text="x", spot="P1") == "refused: P1 is done: reopen it first"
    assert bench.say("reopen spot", text="x", spot="P3") == "refused: P3 has not been read yet"


def test_spots_are_chosen_by_name_by_steps_and_by_skipping(bench: Bench) -> None:
    """Skipping goes to what is to be done; steps go through the whole plan, round its end."""
    assert bench.say("spot", spot="P3") == "next: P3"
    assert bench.say("spot", spot="P9") == "refused: there is no spot 'P9'"
    assert bench.work.step(1) == "next: P1"
    assert bench.work.step(-1) == "next: P3"
    bench.hold(11.0)
    bench.say("take")
    assert bench.work.chosen is not None
    assert bench.work.chosen.name == "P1"
    assert bench.work.skip() == "next: P2"
    assert bench.work.skip() == "next: P1"
    assert bench.work.step(-1) == "next: P3"


@pytest.mark.parametrize("command", ["next line", "discard", "reference", "exclude"])
def test_commands_of_a_scan_are_refused(bench: Bench, command: str) -> None:
    """There is no encoder, line or area."""
    arguments: dict[str, dict[str, Any]] = {
        "discard": {"stretch": {"last": 3.0}, "text": "slip"},
        "reference": {"scan": 0.0},
        "exclude": {"zone": {"name": "lug"}},
    }
    other = arguments.get(command, {})
    message = CommandMessage.model_validate({"id": "a", "by": "Kim", "command": command, **other})
    reply = bench.commands.execute(message, Origin.MQTT)
    assert reply.detail.startswith("refused: the plan has spots, and no encoder")


def test_steady_reading_is_taken_by_itself_after_a_lift(tmp_path: Path) -> None:
    """And only once: the probe that stays on is at the place that was read."""
    bench = Bench(tmp_path / "survey", spot_station(spots="auto = true"))
    with bench.session:
        bench.begin()
        bench.hold(11.0, 11.5)
        assert bench.work.advance() == ""
        bench.hold(11.0)
        assert bench.work.advance() == "P1: 11.000 mm, spread 0.000 mm; next: P2"
        bench.send("11.000,E", 20)
        assert bench.work.advance() == ""
        bench.hold(11.3)
        bench.say("pause", text="")
        assert bench.work.advance() == ""
        bench.say("resume")
        assert bench.work.advance() == ""
        bench.send("11.300,E", 15)
        assert bench.work.advance().startswith("P2: 11.300 mm")
    (spot,) = [one for one in bench.session.pipeline.spot_snapshots() if one.name == "P2"]
    assert spot.by == "automatic"


def test_spots_are_published_where_they_change(bench: Bench) -> None:
    """All at the start, then those that changed, and what the gauge reads four times a second."""
    bench.work.advance()
    root = "swathe/bench/"
    assert {f"{root}spot/{number}" for number in (1, 2, 3)} <= set(bench.mirror.newest)
    bench.hold(11.0)
    bench.work.advance()
    now = bench.mirror.messages[f"{root}spots"]
    assert isinstance(now, SpotsMessage)
    assert (now.spot, now.value, now.steady, now.lifted) == ("P1", 11.0, True, True)
    seen: list[str] = []
    bench.mirror.watch(lambda topic, _: seen.append(topic))
    bench.say("take")
    bench.work.advance()
    assert seen == [f"{root}spot/1", f"{root}spots"]
    spot = bench.mirror.messages[f"{root}spot/1"]
    assert isinstance(spot, SpotMessage)
    assert (spot.state, spot.value, spot.by) == (SpotState.DONE, 11.0, "Kim")


def test_lines_of_the_board_say_what_to_do(bench: Bench) -> None:
    """Each state of the gauge has its words, and a line fits 80 columns."""
    assert spot_lines(bench.work.state())[1] == "gauge: – · the gauge sends nothing yet"
    bench.send("11.000,E", 3)
    assert "of 10 readings over 0.2 s: hold still" in spot_lines(bench.work.state())[1]
    bench.hold(11.0, 11.3)
    assert "NOT STEADY: wait; Enter keeps it as jumpy" in spot_lines(bench.work.state())[1]
    bench.hold(11.0)
    head, gauge, done = spot_lines(bench.work.state())
    assert head == "next: P1 (spot 1 of 3) · nominal 12.000 mm"
    steady = "gauge: 11.000 mm ██████████ spread 0.000 of 0.100 mm · STEADY: Enter takes it"
    assert gauge == steady
    assert len(gauge) <= 80
    assert done == "0 of 3 done"
    bench.say("take")
    assert "lift the probe: this place was read already" in spot_lines(bench.work.state())[1]
    assert spot_lines(bench.work.state())[2] == "1 of 3 done"


def test_board_of_another_process_shows_the_spots_without_keys(bench: Bench) -> None:
    """While the station is at work; what the gauge read before is of no use afterwards."""
    stations = Stations()
    bench.hold(11.0)
    bench.work.advance()
    state: dict[str, object] = {"station": "bench", "survey": "s", "time": "2030-01-01T10:00:00Z"}
    console = Console(file=io.StringIO(), width=80, height=24)
    board = Board(console, stations, WatchedPanel(), ring=lambda: None)
    for doing, shown in (("scanning", True), ("incomplete", False)):
        message = StateMessage.model_validate({**state, "state": doing})
        spots = bench.mirror.messages["swathe/bench/spots"].model_copy(update={"survey": "s"})
        stations.put("swathe/bench/state", message, now=0.0)
        stations.put("swathe/bench/spots", spots, now=0.0)
        console.print(board.render())
        text = console.file.getvalue()  # type: ignore[attr-defined]
        console.file = io.StringIO()
        assert ("next: P1 (spot 1 of 3)" in text) is shown
        assert ("of 0.100 mm · steady" in text) is shown
        assert "Enter takes it" not in text


def test_keys_of_the_guide_are_those_of_the_board() -> None:
    """The table has each key of a run over spots with the text that the board shows."""
    text = (GUIDE / "spots.md").read_text("utf-8").partition("## Keys")[2].partition("##")[0]
    rows = [
        tuple(part.strip() for part in line.strip("|").split("|")[:2])
        for line in text.splitlines()
        if line.startswith("| `")
    ]
    assert rows == [(f"`{key.key}`", key.full) for key in SPOT_KEYS]


def test_ascan_of_the_median_reading_is_kept(tmp_path: Path) -> None:
    """Where the gauge sends A-scans and the plan keeps them."""
    gauge = Gauge(form="ascan", clock=None)
    tables = '[store]\nwaveforms = true\n[calibration]\nvelocity = "6 mm/us"\n'
    table = gauge.table(()).partition("\n\n")[2]
    bench = Bench(tmp_path / "survey", spot_station(tables=tables, gauge=table))
    with bench.session:
        bench.begin()
        for k in range(15):
            bench.time += 20 * MS
            data = gauge.record(bench.time // 1000, 0, 9.0, 60.0 + k, ())
            bench.session.enter(Chunk(bench.time, "gauge", data))
            bench.time += 1
            bench.session.enter(Tick(bench.time))
        assert bench.say("take").startswith("P1: ")
        waveform = bench.session.pipeline.grid.waveform
        assert waveform is not None
        assert waveform[0].max() > 60
        assert not waveform[1].any()
        bench.say("reopen spot", spot="P1", text="wrong place")
        assert not waveform.any()
