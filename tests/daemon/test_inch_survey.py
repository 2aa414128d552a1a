"""A survey in inches: nothing that a person reads of it has a length in mm.

Journal, arrays and the numbers of messages and record are in mm, which their names or schemas say.
"""

from __future__ import annotations

import io
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from rich.console import Console

from daemon.board.test_board import PlainPanel
from daemon.handmade import MS, START, Motion, ended, feed, line, opened, station_text
from daemon.pipeline.checks.test_suspect_cells import check
from daemon.pipeline.placing.test_lost_position import LENGTH, alarms, count_from_zero, entries
from daemon.pipeline.test_lifts import TEXT as LIFT_TEXT
from daemon.pipeline.test_lifts import lifted
from daemon.surveys import write_run
from support.crawl import crawl_station
from swathe.board import Board, PlainLines, Stations
from swathe.cli.arming import plan_lines, planned
from swathe.errors import StationError
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange
from swathe.live.commands import Commands
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.publisher import Publisher
from swathe.live.session import Session
from swathe.messages import CommandMessage
from swathe.motion import MotionError, check_move
from swathe.motion.limits.moves import Move, MoveKind
from swathe.pipeline import Pipeline
from swathe.pipeline.alarms.slip_alarm import SlipAlarm
from swathe.pipeline.checks.register import Check
from swathe.pipeline.placing.slip import Slip
from swathe.report import gaps_table
from swathe.report.checks import check_table
from swathe.report.picture import draw_survey
from swathe.report.plan_picture import draw_plan
from swathe.report.section import draw_line
from swathe.report.summary import survey_lines
from swathe.report.survey_list import set_line, survey_rows, surveys_table
from swathe.station import parse_station
from swathe.station.describe import summarize_station
from swathe.store import SurveyFolder, read_survey_record, write_derived

MILLIMETRES = re.compile(r"\bmm(\b|²|/)|(?<![A-Za-z])m/s\b")
SURVEY = 'nominal_thickness = "0.5 in"\nalert_below = "0.3 in"'
INDEX = '[index]\nlength = "0.5 in"\nresolution = "0.25 in"\nmode = "stepped"\n'
MORE = """
[[exclude]]
name = "lug"
scan = ["0.8 in", "0.9 in"]
[[mark]]
name = "datum"
scan = "0.25 in"
[probe]
kind = "single"
diameter = "0.25 in"
frequency = "5 MHz"
[verification]
steps = ["0.5 in", "0.2 in"]
tolerance = "0.004 in"
"""


def inch_text(more: str = MORE) -> str:
    """Return a station file in inches with cells of 0.05 in along lines 0.25 in apart."""
    text = station_text(scan_length=25.4, survey=SURVEY, index=INDEX) + more
    text = text.replace('resolution = "1 mm"', 'resolution = "0.05 in"', 1)
    return 'units = "in"\n' + text


def _wall(ms: int) -> float | str:
    if 500 <= ms < 700:
        return "N"
    return 6.8 if 900 <= ms < 960 else 12.7


def _entries(text: str) -> Iterator[Entry]:
    """Yield two lines with a thin place, a silence, a skipped stretch, and a check that fails."""
    yield opened(text)
    yield PortChange(START, "encoder", "open", "")
    yield PortChange(START, "gauge", "open", "")
    yield from Motion(lambda ms: (ms / 60,), _wall, 1, 1500).entries()
    yield Mark(START + 1501 * MS, MarkKind.LINE, {"line": 1, "by": "crew"})
    yield from Motion(lambda ms: ((ms - 1510) / 20,), lambda _: 12.7, 1510, 2000).entries()
    yield from check(2010, {12.7: 13.1, 5.08: 5.09}, tolerance=0.1)
    yield ended(START + 3000 * MS)


def texts_of(value: Any) -> Iterator[str]:
    """Yield every text in JSON values; keys are not read by a person."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from texts_of(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from texts_of(one)


class GuidedPanel(PlainPanel):
    """A panel with the next step by hand of a survey."""

    def __init__(self, words: str) -> None:
        super().__init__()
        self._words = words

    def next_lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return the next step."""
        return [self._words]


@dataclass
class Read:
    """What a person reads, by where it is."""

    texts: dict[str, list[str]] = field(default_factory=dict)

    def add(self, where: str, *texts: str) -> None:
        """Add texts of a place."""
        self.texts.setdefault(where, []).extend(texts)

    def drawn(self, where: str, what: object) -> None:
        """Add what a console shows of something."""
        out = io.StringIO()
        Console(file=out, width=300, height=60, color_system=None).print(what)
        self.add(where, *out.getvalue().splitlines())

    def in_mm(self) -> list[str]:
        """Return the texts with a length in mm."""
        return [
            f"{where}: {text}"
            for where, texts in self.texts.items()
            for text in texts
            if MILLIMETRES.search(text)
        ]

    def all(self, where: str) -> str:
        """Return all texts of a place."""
        return "\n".join(self.texts[where])


@pytest.fixture
def pictures(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the texts of every picture that is drawn from now on."""
    found: list[str] = []
    save = Figure.savefig

    def saved(figure: Figure, *args: Any, **more: Any) -> None:
        save(figure, *args, **more)
        found.extend(text.get_text() for text in figure.findobj(Text))

    monkeypatch.setattr(Figure, "savefig", saved)
    return found


@dataclass
class Survey:
    """A survey on disk with its pipeline, as a run left it."""

    folder: SurveyFolder
    session: Session
    commands: Commands

    @property
    def pipeline(self) -> Pipeline:
        """Of the run that is open."""
        return self.session.pipeline

    def reply(self, number: int, **command: Any) -> str:
        """Give a command and return the text of its reply."""
        message = CommandMessage.model_validate({"id": f"c{number}", "by": "crew", **command})
        return self.commands.execute(message, Origin.PAGE).detail


@pytest.fixture
def survey(tmp_path: Path) -> Iterator[Survey]:
    """Return the survey, in a second run whose probe rests."""
    text, folder = inch_text(), SurveyFolder(tmp_path / "survey")
    write_run(folder, _entries(text))
    station = parse_station(text, "bench.toml")
    with Session(folder, station, text) as session:
        session.resume()
        now = time.monotonic_ns()
        for device in ("encoder", "gauge"):
            session.enter(PortChange(now, device, "open", ""))
        for k in range(12):
            session.enter(Chunk(now + k * MS, "encoder", line(f"P,{k},60")))
        session.tick()
        commands = Commands(station, session, stop=print, ending=lambda: False)
        yield Survey(folder, session, commands)


def test_an_inch_survey_has_no_millimetres(survey: Survey, pictures: list[str]) -> None:
    """Messages, board, plain lines, guidance, replies, report, lists and pictures."""
    read, pipeline = Read(), survey.pipeline
    _command(read, survey)
    _publish(read, pipeline)
    record = write_derived(survey.folder, pipeline)
    read.add("report", *survey_lines(record))
    read.drawn("gaps", gaps_table(record, closed=True))
    rows = survey_rows([survey.folder], survey.folder.path.parent)
    read.drawn("surveys", surveys_table(rows))
    read.add("surveys", set_line(rows))
    for found in pipeline.suspect_cells.checks.checks:
        assert isinstance(found, Check)
        read.drawn("check", check_table(found, pipeline.station.display))
    read.add("record", *texts_of(record.model_dump(mode="json", by_alias=True)))
    draw_survey(survey.folder)
    draw_line(survey.folder, 0.0)
    read.add("pictures", *pictures)
    import os

    if os.environ.get("SHOW"):
        print("\n".join(f"{w}: {t}" for w, ts in read.texts.items() for t in ts))
    # The unit itself is a value of the plan, and devices keep that of their protocol.
    assert read.in_mm() == []
    # What was looked for is there: lengths in inches, with their customary decimals.
    assert read_survey_record(survey.folder.record).display.length_name == "in"
    for where, expected in {
        "board": "minimum 0.268 in at 0.60 / 0.00",
        "plain": "below alert at 0.60 / 0.00 in: 0.268 in, below 0.300 in",
        "messages": "0.268 in, below 0.300 in",
        "report": "minimum 0.268 in at 0.60 / 0.00 in",
        "gaps": "area in²",
        "check": "+0.0157",
        "replies": "line 1 at 0.25 in",
        "guidance": "from ",
        "pictures": "thickness, in",
    }.items():
        assert expected in read.all(where), where
    assert "standard uncertainties in inches: " in read.all("report")
    assert {"scan, in", "index, in", "0.2"} <= set(pictures)


def _command(read: Read, survey: Survey) -> None:
    far = {"from": 4000.0, "to": 5000.0}
    commands: list[dict[str, Any]] = [
        {"command": "next line"},
        {"command": "line", "line": 1},
        {"command": "reference", "scan": 6.35},
        {"command": "reference", "mark": "nowhere"},
        {"command": "reference", "mark": "datum"},
        {"command": "discard", "stretch": {"scan": far}, "text": "slip"},
        {"command": "discard", "stretch": {"line": 1, "scan": {"from": 2.54, "to": 5.08}},
         "text": "slip"},
        {"command": "exclude", "zone": {"name": "weld", "scan": {"from": 0.0, "to": 2.54}}},
        {"command": "rescan", "gap": 1},
    ]  # fmt: skip
    read.add("replies", *(survey.reply(k, **one) for k, one in enumerate(commands)))


def _publish(read: Read, pipeline: Pipeline) -> None:
    """Add what page, broker, board and plain lines show."""
    mirror = Mirror()
    publisher = Publisher(mirror, pipeline, progress_interval_ns=1)
    publisher.put_all()
    publisher.put_progress()
    publisher.put_ports({}, DelayEstimator(pipeline.station))
    stations = Stations()
    for topic, message in mirror.messages.items():
        values = message.model_dump(mode="json", by_alias=True)
        if (plan := values.get("plan")) is not None:
            assert plan.pop("units") == "in"
        read.add("messages", *texts_of(values))
        stations.put(topic, message, now=time.monotonic())
    console = Console(file=io.StringIO(), width=300, height=60)
    words = words_by_hand(pipeline, step_by_hand(pipeline, pipeline.position))
    read.add("guidance", words)
    panel = GuidedPanel(words)
    read.drawn("board", Board(console, stations, panel, ring=lambda: None).render())
    PlainLines(stations, lambda text: read.add("plain", text)).refresh()


def test_alarms_by_the_devices_are_in_inches() -> None:
    """A lost position, a lift, a slip and a scan that is too fast: as the pipeline words them."""
    read = Read()
    lift = lifted(1500, 4000, 4200, text='units = "in"\n' + LIFT_TEXT).progress().lifted
    assert lift is not None
    assert lift.text.startswith("no echo at 3.94 in for 2.5 s")
    read.add("lift", lift.text)
    text = 'units = "in"\n' + station_text(scan_length=LENGTH, free=False)
    pipeline = Pipeline(parse_station(text, "bench.toml"))
    feed(pipeline, [opened(text), *entries(count_from_zero(800), 1500)])
    (lost,) = alarms(pipeline)
    assert re.match(
        r"scan position lost at 4\.\d\d in: the counter jumped by -\d\.\d\d in;", lost.detail
    )
    pipeline.slipped_cells.take(Slip("scan", 1, 6, 6, 10.0, -4.0), 0, 6)
    SlipAlarm(pipeline.slipped_cells, pipeline.alarms).evaluate(7)
    read.add("alarms", *(one.detail for one in pipeline.alarms.alarms))
    assert "scan is 0.16 in behind its second source" in read.all("alarms")
    assert read.in_mm() == []


def test_check_and_refusals_of_an_inch_station(tmp_path: Path, pictures: list[str]) -> None:
    """What `check` and `plan` print, and why a file or a move is refused."""
    read = Read()
    read.add("check", *summarize_station(parse_station(inch_text(), "bench.toml")))
    assert "scan 0.00 to 1.00 in in 21 steps of 0.05 in" in read.all("check")
    assert "mark: datum, scan 0.25 in" in read.all("check")
    wrong = MORE.replace('["0.8 in", "0.9 in"]', '["40 in", "41 in"]').replace(
        'scan = "0.25 in"', 'scan = "4000 in"'
    )
    with pytest.raises(StationError) as refused:
        parse_station(inch_text(wrong), "bench.toml")
    read.add("refusals", str(refused.value))
    assert "(got '40.00 in to 41.00 in')" in str(refused.value)
    crawler = 'units = "in"\n' + crawl_station(tmp_path)
    station = parse_station(crawler, "crawler.toml")
    plan, area = planned(station)
    read.add("plan", *plan_lines(station, plan, area))
    draw_plan(plan, area, tmp_path / "plan.png")
    read.add("pictures", *pictures)
    move = Move(MoveKind.TRANSFER, (0.0, 0.0), (1e6, 0.0), 100.0, 100.0, 0)
    with pytest.raises(MotionError, match=r"scan must stay within .* in to .* in") as stopped:
        check_move(move, area.limits, area.zones)
    read.add("refusals", str(stopped.value))
    assert read.in_mm() == []
