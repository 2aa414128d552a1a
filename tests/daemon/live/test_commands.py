"""Commands: what is done, what is refused and why, and what comes twice."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from daemon.handmade import line, station_text
from swathe.journal import Chunk, Mark, MarkKind, PortChange, read_journal
from swathe.live.commands import Commands
from swathe.live.origin import Origin
from swathe.live.session import Session
from swathe.messages import CommandMessage, ReplyMessage, moment
from swathe.pipeline.lifts import Lift
from swathe.station import MarkSettings, parse_station
from swathe.store import SurveyFolder

STEPPED = '[index]\nlength = "5 mm"\nresolution = "1 mm"\nmode = "stepped"\n'
BROKER = '\n[broker]\nsenders = ["crew-1"]\n'


@dataclass
class Bench:
    """Commands over a survey of its own, without ports."""

    session: Session
    commands: Commands
    stopped: list[str] = field(default_factory=list)
    ending: bool = False

    def say(self, *, named: bool = False, **command: Any) -> ReplyMessage:
        """Give a command and return the reply."""
        message = CommandMessage.model_validate({"id": "a", "by": "crew-1", **command})
        return self.commands.execute(message, Origin.MQTT, named=named)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench with a stepped index axis."""
    text = station_text(index=STEPPED) + BROKER
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        stopped: list[str] = []
        made = Bench(
            session,
            Commands(station, session, stop=stopped.append, ending=lambda: made.ending),
            stopped,
        )
        yield made


def test_reply_states_that_the_disk_takes_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is noted in memory only may be lost with the process."""
    assert bench.say(command="note", text="x").detail == "noted"
    monkeypatch.setattr(Session, "disk_trouble", "No space left on device")
    reply = bench.say(command="note", text="y", id="b")
    assert reply.accepted
    assert reply.detail == "noted; not on the disk yet: No space left on device"
    refused = bench.say(command="rescan", gap=7, id="c").detail
    assert refused == "refused: there is no gap 7"
    assert "disk" not in bench.say(command="alive", id="d").detail


def test_same_command_twice_is_answered_twice_and_obeyed_once(bench: Bench) -> None:
    """The network may bring a command twice; two commands have two ids."""
    first = bench.say(command="next line")
    assert bench.say(command="next line") == first
    assert bench.session.pipeline.line == 1
    assert bench.say(command="next line", id="b").accepted
    assert bench.session.pipeline.line == 2


def test_previous_line_goes_back_and_not_before_the_first(bench: Bench) -> None:
    """It is the counterpart of 'next line'."""
    assert bench.say(command="next line").accepted
    assert bench.say(command="previous line", id="b").detail == "line 0 at 0 mm"
    assert bench.session.pipeline.line == 0
    refused = bench.say(command="previous line", id="c").detail
    assert refused == "refused: the plan has the lines 0 to 5"
    assert bench.session.pipeline.line == 0


def test_blocked_line_is_a_mark_of_its_own(bench: Bench) -> None:
    """The next line begins where the probe is; behind the last one there is none."""
    said = bench.say(command="line blocked")
    assert (said.accepted, said.detail) == (True, "line 1 at 1 mm")
    assert bench.session.pipeline.line == 1
    assert bench.say(command="line", line=5, id="b").accepted
    refused = bench.say(command="line blocked", id="c").detail
    assert refused == "refused: the plan has the lines 0 to 5"


def test_sender_is_asked_for_only_where_it_matters(bench: Bench) -> None:
    """Over MQTT only those may command whom the station file names; the page has its token."""
    refused = bench.say(command="note", by="stranger", named=True)
    assert not refused.accepted
    assert "'broker.senders'" in refused.detail
    assert bench.say(command="note", by="stranger", id="b").accepted
    assert bench.say(command="note", id="c", named=True).accepted
    assert len(bench.session.pipeline.notes) == 2


def test_stop_of_a_crawler_is_taken_from_anybody(bench: Bench) -> None:
    """A stranger may not end a scan by hand, but stops what moves by itself."""
    assert not bench.say(command="stop", by="stranger", named=True).accepted
    assert bench.stopped == []
    bench.commands.on_alive = lambda by: f"alive, {by}"
    assert not bench.say(command="alive", by="stranger", id="b", named=True).accepted
    assert bench.say(command="stop", by="stranger", id="c", named=True).accepted
    assert len(bench.stopped) == 1


def test_pause_and_resume_know_of_each_other(bench: Bench) -> None:
    """A second pause, and going on without one, are refused."""
    assert not bench.say(command="resume").accepted
    assert bench.say(command="pause", id="b", text="couplant").accepted
    assert bench.session.pipeline.pauses.because == "couplant"
    assert bench.say(command="pause", id="c").detail == "refused: already paused by crew-1"
    assert bench.say(command="resume", id="d").accepted
    assert not bench.session.pipeline.pauses.active


def test_zone_must_be_one_and_leave_something(bench: Bench) -> None:
    """A zone beside the plan, backwards, without numbers or over everything is refused."""

    def exclude(number: int, **zone: Any) -> ReplyMessage:
        return bench.say(command="exclude", id=f"z{number}", zone={"name": "lug", **zone})

    assert "no required cell" in exclude(1, scan={"from": 900, "to": 910}).detail
    assert "zone.scan" in exclude(2, scan={"from": 5, "to": 1}).detail
    assert "zone.index" in exclude(3, index={"from": 0, "to": float("inf")}).detail
    assert "nothing would be left" in exclude(4).detail
    assert bench.session.pipeline.requests.zones == []
    assert exclude(5, scan={"from": 0, "to": 1}).detail == "excluded 12 cells: lug"
    assert exclude(6, index={"from": 4.6, "to": 5}).detail == "excluded 19 cells: lug"
    assert bench.session.pipeline.progress().required == 21 * 6 - 12 - 19


def test_unknown_gap_and_alarm_are_refused(bench: Bench) -> None:
    """Numbers that name nothing are told."""
    assert bench.say(command="rescan", gap=4).detail == "refused: there is no gap 4"
    told = bench.say(command="acknowledge", id="b", alarm=4)
    assert told.detail == "refused: there is no alarm 4"


def test_stop_and_what_comes_after_it(bench: Bench) -> None:
    """Stop tells who and how; while the run ends nothing else is obeyed."""
    assert bench.say(command="stop").accepted
    assert bench.stopped == ["stopped over MQTT by crew-1"]
    bench.ending = True
    assert bench.say(command="note", id="b").detail == "refused: the run is ending"


def test_refuse_answers_what_is_no_command(bench: Bench) -> None:
    """A sender whose command cannot be read is told so under its id."""
    reply = bench.commands.refuse("x-1", "command: must be known")
    assert (reply.id, reply.accepted, reply.detail) == (
        "x-1",
        False,
        "refused: command: must be known",
    )


def test_nobody_else_is_the_crawler(bench: Bench) -> None:
    """Its name is its own: a pause under it would not stop it."""
    told = bench.say(command="pause", by="crawler")
    assert told.detail == "refused: 'crawler' is the crawler itself"
    assert not bench.session.pipeline.pauses.active


def test_pause_while_the_crawler_homes_is_taken(bench: Bench) -> None:
    """The crawler's own pause is no reason to refuse a person's, which stops it."""
    bench.session.mark(MarkKind.PAUSED, by="crawler", because="homing")
    assert bench.say(command="pause", text="somebody walks through").accepted
    assert bench.session.pipeline.pauses.by == "crew-1"


def test_resume_is_asked_of_the_crawler_where_there_is_one(bench: Bench) -> None:
    """Only it knows whether readings may count again."""
    asked: list[tuple[str, Origin]] = []

    def resume(by: str, origin: Origin) -> str:
        asked.append((by, origin))
        return "refused: the crawler ends its own pause, once it knows where it is"

    bench.commands.on_resume = resume
    assert not bench.say(command="resume").accepted
    assert asked == [("crew-1", Origin.MQTT)]  # a crawler may wait though nothing is paused
    bench.session.mark(MarkKind.PAUSED, by="crawler", because="homing")
    assert not bench.say(command="resume", id="b").accepted
    assert asked == 2 * [("crew-1", Origin.MQTT)]
    assert bench.session.pipeline.pauses.active


def test_command_that_needs_the_survey_is_refused_until_it_is_resumed(tmp_path: Path) -> None:
    """A note is kept and a stop is obeyed all the same; the reason has how far it is."""
    text = station_text(index=STEPPED) + BROKER
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        stopped: list[str] = []
        bench = Bench(
            session,
            Commands(station, session, stop=stopped.append, ending=lambda: False),
            stopped,
        )
        for name in ("next line", "pause", "resume"):
            assert bench.say(command=name).detail == (
                "refused: the survey is being resumed: "
                "the journal of earlier runs is replayed, 0% is done"
            )
        assert bench.say(command="note", text="early").detail == "noted"
        assert bench.say(command="alive").detail == "refused: nothing moves by itself in this run"
        assert bench.say(command="stop").detail == "stopping"
        assert len(stopped) == 1
        session.resume()
        assert bench.say(command="next line", id="b").accepted
        assert [note for _, note in session.pipeline.notes] == ["early"]


def test_reference_needs_an_open_port_a_sample_and_a_probe_at_rest(tmp_path: Path) -> None:
    """What would set a wrong position is refused with the reason; what is done is journalled."""
    text = station_text(free=False)
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        commands = Commands(station, session, stop=print, ending=lambda: False)
        moving = [True]
        commands.moves = lambda: moving[0]
        made = Bench(session, commands)

        def refused(identity: str, **known: Any) -> str:
            reply = made.say(command="reference", id=identity, **known)
            assert not reply.accepted
            return reply.detail

        assert "the crawler may move" in refused("a", scan=3.0)
        moving[0] = False
        assert "the index axis has no encoder" in refused("b", index=3.0)
        assert "the port of encoder is not open" in refused("c", scan=3.0)
        now = time.monotonic_ns()
        session.enter(PortChange(now, "encoder", "open", ""))
        assert "has sent no counts" in refused("d", scan=3.0)
        for k in range(6):
            session.enter(Chunk(now + k * 10**6, "encoder", line(f"P,{k},{k * 10}")))
        session.tick()
        assert "the probe moves along scan" in refused("e", scan=3.0)
        for k in range(6, 12):
            session.enter(Chunk(now + k * 10**6, "encoder", line(f"P,{k},60")))
        session.tick()
        reply = made.say(command="reference", id="f", scan=3.0)
        assert reply.accepted
        assert reply.detail == "the probe is at scan 3 mm: readings count from here on"
        assert session.pipeline.position[0] == 3.0
        # It is no homing: the crawler's reference stays what it was.
        assert session.pipeline.crawler.reference == (None, None)


MARKS = """
[[mark]]
name = "weld 12"
scan = "1240 mm"
index = "2 mm"
[[mark]]
name = "row 3"
index = "3 mm"
[[mark]]
name = "datum"
scan = "0 mm"
"""


def _at_rest(session: Session) -> None:
    """Let the encoder send the same counts for a while."""
    now = time.monotonic_ns()
    session.enter(PortChange(now, "encoder", "open", ""))
    for k in range(6):
        session.enter(Chunk(now + k * 10**6, "encoder", line(f"P,{k},60")))
    session.tick()


def _marks(session: Session) -> list[dict[str, Any]]:
    """Return kind and detail of the marks that commands made, from the journal."""
    return [
        {"kind": entry.kind, **entry.detail}
        for entry in read_journal(session.folder.journal)
        if isinstance(entry, Mark) and entry.kind in (MarkKind.REFERENCED, MarkKind.LINE)
    ]


def test_reference_at_a_mark_sets_scan_and_line_by_its_name(tmp_path: Path) -> None:
    """The journal has the mark's name; a stepped index axis continues with the mark's line."""
    text = station_text(index=STEPPED, exclude=MARKS)
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        made = Bench(session, Commands(station, session, stop=print, ending=lambda: False))
        unknown = made.say(command="reference", id="a", mark="weld 13").detail
        known = "known are 'weld 12', 'row 3', 'datum'"
        assert unknown == f"refused: there is no mark 'weld 13': {known}"
        assert not made.say(command="reference", id="b", mark="datum").accepted  # no open port
        _at_rest(session)
        reply = made.say(command="reference", id="c", mark="WELD 12").detail
        assert reply == "the probe is at weld 12, scan 1240 mm, line 2: readings count from here on"
        assert session.pipeline.position == (1240.0, 2.0)
        assert made.say(command="reference", id="d", mark="row 3").accepted
        assert session.pipeline.position == (1240.0, 3.0)
        assert made.say(command="reference", id="e", mark="datum").accepted
        assert session.pipeline.position == (0.0, 3.0)
        references = session.pipeline.references
        assert [(one.mark, one.scan, one.by) for one in references] == [
            ("weld 12", 1240.0, "crew-1"),
            ("datum", 0.0, "crew-1"),
        ]
    marks = _marks(session)
    by = {"by": "crew-1"}
    assert marks == [
        {"kind": MarkKind.REFERENCED, "scan": 1240.0, "mark": "weld 12", **by},
        {"kind": MarkKind.LINE, "line": 2, "mark": "weld 12", **by},
        {"kind": MarkKind.LINE, "line": 3, "mark": "row 3", **by},
        {"kind": MarkKind.REFERENCED, "scan": 0.0, "mark": "datum", **by},
    ]


def test_reference_elsewhere_after_a_lift_shows_how_to_discard(tmp_path: Path) -> None:
    """How many seconds of readings may be wrong, and the stretch: it is not done by itself."""
    text = station_text()
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        made = Bench(session, Commands(station, session, stop=print, ending=lambda: False))
        now = time.monotonic_ns()
        session.enter(PortChange(now, "encoder", "open", ""))
        session.enter(PortChange(now, "gauge", "open", ""))
        for ms in range(0, 3000, 10):
            at = now + ms * 10**6
            session.enter(Chunk(at, "encoder", line(f"P,{ms},60")))
            echo = "4.0,E" if not 500 < ms < 2000 else "0.0,N"
            session.enter(Chunk(at, "gauge", line(f"R,{ms},{echo}")))
        session.tick()
        same = made.say(command="reference", id="a", scan=6.0).detail
        assert same == "the probe is at scan 6 mm: readings count from here on"
        session.pipeline.lifts.newest = lift = Lift(10**18, 10**18 + 10**9, (6.0, 0.0), (6.0, 0.0))
        reply = made.say(command="reference", id="b", scan=16.0).detail
        doubt = session.pipeline.lifts.doubt
        assert doubt is not None
        assert doubt.lift is lift
        assert "since the probe may have been lifted may be at wrong places: discard" in reply
        begin, end = (moment(one).isoformat() for one in doubt.stretch)
        assert reply.endswith(f"with u, or with 'discard' from {begin} to {end}")
        assert begin == "2001-09-09T01:46:40.000001+00:00"
        # Another one that sets nothing in doubt does not repeat it.
        assert "lifted" not in made.say(command="reference", id="c", scan=17.0).detail


def test_reference_at_a_mark_off_the_lines_is_refused(bench: Bench) -> None:
    """A station made in Python is not checked: a mark between the lines sets nothing."""
    mark = MarkSettings.model_validate({"name": "lug", "scan": 0, "index": "9 mm"})
    station = bench.session.pipeline.station.model_copy(update={"mark": (mark,)})
    commands = Commands(station, bench.session, stop=print, ending=lambda: False)
    refused = commands.reference(None, None, "K", mark="lug")
    assert refused == "refused: 'lug' (scan 0 mm, index 9 mm) is on no line of the plan"
    assert commands.reference(None, None, "K", mark="x") == (
        "refused: there is no mark 'x': known are 'lug'"
    )
    assert bench.commands.reference(None, None, "K", mark="x") == (
        "refused: there is no mark 'x': the station file has no [[mark]]"
    )


def test_reference_without_a_place_is_no_command() -> None:
    """It has to set one axis at least, to a number."""
    both = {"scan": 1.0, "mark": "weld 12"}
    for given in ({}, {"scan": math.inf}, both, {"index": 1.0, "mark": "a"}):
        with pytest.raises(ValueError, match=r"scan"):
            CommandMessage.model_validate({"id": "a", "by": "K", "command": "reference", **given})


def test_reason_of_a_zone_is_journalled(bench: Bench) -> None:
    """The text of 'exclude' is the reason, in the mark and of the zone."""
    zone = {"name": "lug", "scan": {"from": 0, "to": 1}}
    assert bench.say(command="exclude", zone=zone, text="cannot be reached").accepted
    (found,) = bench.session.pipeline.requests.zones
    assert (found.by, found.because, found.cells) == ("crew-1", "cannot be reached", 12)
