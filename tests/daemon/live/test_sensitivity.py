"""The sensitivity check within a run: only in a pause, and only by readings of the pause."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from daemon.handmade import station_text
from swathe.journal import Chunk, MarkKind, read_journal
from swathe.live.commands import Commands
from swathe.live.origin import Origin
from swathe.live.session import Session
from swathe.messages import CommandMessage
from swathe.report.setup_lines import setup_lines
from swathe.station import decoder_of, parse_station
from swathe.store import SurveyFolder, read_survey_record

TABLE = '\n[sensitivity]\nreference = "80 %"\ntolerance = "2 dB"\nblock = "B-7"\n'
VALUES = '[device.gauge.protocol]\ncolumns = [{ is = "thickness", unit = "mm" }, { is = "amplitude", unit = "%" }]\n'


def text_with(table: str) -> str:
    """Return a station whose gauge sends thickness and amplitude."""
    whole = station_text()
    begin = whole.index("[device.gauge.protocol]")
    end = whole.find("\n[", begin + 1)
    return whole[:begin] + VALUES + (whole[end:] if end > 0 else "") + table


class Run:
    """A run without ports."""

    def __init__(self, session: Session, commands: Commands) -> None:
        self.session, self.commands = session, commands
        self._number = 0

    def say(self, command: str, **other: str) -> str:
        """Give a command; return the reply."""
        self._number += 1
        message = {"command": command, "by": "A. Kern", "id": f"c{self._number}", **other}
        return self.commands.execute(CommandMessage.model_validate(message), Origin.TERMINAL).detail

    def send(self, height: float, count: int) -> None:
        """Have readings of a height arrive now."""
        data = f"10.00,{height:.1f}\r\n".encode() * count
        self.session.enter(Chunk(time.monotonic_ns(), "gauge", data))
        self.session.tick()
        self.session.tick()


TWO = """
[[probe]]
name = "left"
input = 1
[[probe]]
name = "right"
input = 2
scan = "10 mm"
"""


def test_of_several_probes_the_one_that_is_named_is_checked(tmp_path: Path) -> None:
    """By its own readings alone, however many the other one sends; record and mark name it."""
    values = VALUES.replace("columns = [", 'columns = [{ is = "probe", inputs = [1, 2] }, ')
    text = text_with(TABLE).replace(VALUES, values) + TWO
    station = parse_station(text, "bench.toml")
    folder = tmp_path / "survey"
    with Session(SurveyFolder(folder), station, text) as session:
        session.resume()
        commands = Commands(station, session, stop=lambda _: None, ending=lambda: False)
        run = Run(session, commands)
        run.say("pause")
        for _ in range(20):
            data = b"1,10.00,80.0\r\n" + b"2,10.00,60.0\r\n" * 5
            session.enter(Chunk(time.monotonic_ns(), "gauge", data))
        session.tick()
        session.tick()
        assert run.say("sensitivity") == (
            "refused: say which probe is on the reference, by 'probe': left, right"
        )
        assert run.say("sensitivity", probe="mid").startswith("refused: there is no probe 'mid'")
        assert run.say("sensitivity", probe="left").startswith("sensitivity of probe left passed: ")
        assert run.say("sensitivity", probe="right").startswith(
            "sensitivity of probe right FAILED: -2.50 dB"
        )
        asyncio.run(session.end("incomplete", "done"))
    record = read_survey_record(SurveyFolder(folder).record)
    assert [(one.probe, one.measured, one.readings) for one in record.sensitivity] == [
        ("left", 80.0, 20),
        ("right", 60.0, 20),
    ]
    assert setup_lines(record)[1].startswith("sensitivity of probe right of ")


def run_in(folder: Path, text: str, act: str) -> list[str]:
    """Return the replies of a run in which a letter a step is done: p, r, c; digits send 20 readings."""
    station = parse_station(text, "bench.toml")
    replies: list[str] = []
    with Session(SurveyFolder(folder), station, text) as session:
        session.resume()
        commands = Commands(station, session, stop=lambda _: None, ending=lambda: False)
        run = Run(session, commands)
        for letter in act:
            if letter.isdigit():
                run.send(10.0 * int(letter), 20)
            else:
                replies.append(run.say({"p": "pause", "r": "resume", "c": "sensitivity"}[letter]))
        asyncio.run(session.end("incomplete", "done"))
    return replies


def test_check_in_a_pause_is_journalled_and_in_the_record(tmp_path: Path) -> None:
    """The newest twenty readings of the pause give it; the verdict is the pipeline's."""
    folder = tmp_path / "survey"
    replies = run_in(folder, text_with(TABLE), "4p8c6cr")
    assert replies[1] == "sensitivity passed: +0.00 dB from 80 %, tolerance 2 dB"
    assert replies[2] == "sensitivity FAILED: -2.50 dB from 80 %, tolerance 2 dB"  # 20 log10(0.75)
    marks = [
        one
        for one in read_journal(SurveyFolder(folder).journal)
        if getattr(one, "kind", None) is MarkKind.SENSITIVITY
    ]
    assert len(marks) == 2
    checks = read_survey_record(SurveyFolder(folder).record).sensitivity
    assert [(one.measured, one.passed, one.by, one.block) for one in checks] == [
        (80.0, True, "A. Kern", "B-7"),
        (60.0, False, "A. Kern", "B-7"),
    ]


@pytest.mark.parametrize(
    ("act", "table", "reason"),
    [
        ("8c", TABLE, "refused: pause first: readings on the reference would count for cells"),
        ("8prc", TABLE, "refused: pause first"),
        ("8pc", TABLE, "refused: no reference echo: 0 of 20 readings are in"),
        ("p8c", "", "refused: no reference echo: add [sensitivity]"),
    ],
)
def test_refused(tmp_path: Path, act: str, table: str, reason: str) -> None:
    """Readings that may be of the part, from before the pause too, are no reference echo."""
    folder = tmp_path / "survey"
    assert run_in(folder, text_with(table), act)[-1].startswith(reason)
    assert read_survey_record(SurveyFolder(folder).record).sensitivity == ()


def test_text_is_of_a_gauge_of_values() -> None:
    """The station of these tests sends what they say."""
    station = parse_station(text_with(TABLE), "bench.toml")
    assert decoder_of(station.device["gauge"]).gives == {"thickness", "amplitude"}
