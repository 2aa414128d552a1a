"""Messages over MQTT: they read back the same, fit their schemas, and every field says what it is."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BaseModel, ValidationError

from support.contract import payload_schemas, retained
from swathe.messages import (
    AlarmMessage,
    CheckMessage,
    CommandMessage,
    ConfirmMessage,
    ConfirmSnapshot,
    CrawlerFault,
    CrawlerMessage,
    DelayMessage,
    Extent,
    GapMessage,
    Heading,
    LineMessage,
    PortMessage,
    ProgressMessage,
    ReplyMessage,
    RescanMessage,
    RevisionsMessage,
    RevisionSnapshot,
    StateMessage,
    StretchSnapshot,
    Topics,
    ZoneSnapshot,
    moment,
)
from swathe.messages.asyncapi import asyncapi_document
from swathe.messages.crawler import CrawlerState
from swathe.motion import State
from swathe.pipeline import (
    Alarm,
    Check,
    CheckPhase,
    CheckStep,
    DelayEstimate,
    DeviceTally,
    GapCause,
    GapEnd,
    GapSnapshot,
    LineSnapshot,
    ProgressSnapshot,
    RequestedGap,
)
from swathe.pipeline.progress.fields import percent_of
from swathe.pipeline.spurious.register import PlaceState
from swathe.station import AlarmKind
from swathe_drivers import Fault
from swathe_drivers.records import FaultReason

AT = 1_800_000_000_123_456_789
NOW = moment(AT)
OF: Heading = {"station": "bench", "survey": "s-1", "time": NOW}


def gap_snapshot(**other: Any) -> GapSnapshot:
    """Return an open gap, or one that differs as given."""
    parts: dict[str, Any] = {
        "number": 7,
        "status": "open",
        "cause": GapCause.TOO_FAST,
        "causes": {GapCause.TOO_FAST: 5, GapCause.NO_SIGNAL: 1},
        "cells": 6,
        "area": 6.00049,
        "scan": (9.5, 15.50049),
        "index": (-0.5, 0.5),
        "opened": AT,
        "closed": None,
        "end": None,
        "merged_into": None,
    }
    return GapSnapshot(**{**parts, **other})


def progress(**other: Any) -> ProgressSnapshot:
    """Return the picture of a survey under way, or one that differs as given."""
    parts: dict[str, Any] = {
        "time": AT,
        "required": 400,
        "measured": 100,
        "percent": 25.0,
        "open_gaps": 2,
        "line": 3,
        "scan": 12.3456,
        "index": 3.0,
        "speed": 123.456,
        "speed_limit": 240.0,
        "too_fast": False,
        "slips": 1,
        "slipped_at": 12.5,
        "rate": 999.96,
        "seconds_left": 61.7,
        "readings": 12_345,
        "unplaced": 1,
        "outside": 2,
        "minimum": 9.87654,
        "minimum_scan": 3.0,
        "minimum_index": 4.0,
        "minimum_expanded": 0.0512,
        "suspect": 4,
        "check_due": AT + 1,
        "check_overdue": False,
    }
    return ProgressSnapshot(**{**parts, **other})


def line(number: int, **other: Any) -> LineSnapshot:
    """Return the summary of a line, or one that differs as given."""
    parts: dict[str, Any] = {
        "line": number,
        "index": float(number),
        "measured": 20,
        "required": 20,
        "minimum": 9.0,
        "minimum_scan": 3.0,
        "missing": (),
    }
    return LineSnapshot(**{**parts, **other})


def check() -> Check:
    """Return a failed check, of which one step had no echo."""
    return Check(
        number=2,
        phase=CheckPhase.AFTER,
        by="A. Kern",
        block="B-7",
        time=AT,
        tolerance=0.1,
        steps=(CheckStep(12.7, 12.6523, 0.0081, 20), CheckStep(5.08, math.nan, math.nan, 0)),
        passed=False,
        suspects=31,
    )


def tally() -> DeviceTally:
    """Return the tally of a device that had its troubles."""
    return DeviceTally(
        state="open",
        detail="115200 baud",
        bytes=1234,
        readings=50,
        missing=3,
        faults=Counter({"number": 2, "checksum": 1}),
        recent=[
            Fault(
                10, 5, FaultReason.CHECKSUM, b"ab*00", "the line carries 00 but its bytes give 03"
            ),
            Fault(99, 4, FaultReason.NUMBER, b"\xff\x00a\n", "column 2"),
        ],
    )


def alarm(**other: Any) -> Alarm:
    """Return an alarm, or one that differs as given."""
    parts: dict[str, Any] = {
        "number": 4,
        "kind": AlarmKind.COUPLING,
        "detail": "no echo",
        "scan": (12.34567, 12.34567),
        "index": (3.0, 3.0),
        "since": AT,
    }
    return Alarm(**{**parts, **other})


REVISION = RevisionSnapshot(
    number=1,
    kind="discard",
    line=5,
    to_line=None,
    scan=Extent(0.0, 9.5),
    begin=None,
    end=AT,
    by="A. Kern",
    because="wrong line",
    time=AT + 5,
    readings=None,
)
RESTORED = REVISION.model_copy(
    update={
        "number": 2,
        "kind": "move",
        "to_line": 6,
        "readings": 0,
        "restored_by": "B. Lind",
        "restored_because": "it was line 5",
        "restored": NOW,
    }
)
SCHEMAS = payload_schemas(asyncapi_document())
DOUBTFUL = ConfirmSnapshot(
    number=3,
    status=PlaceState.REJECTED,
    flags=("halved", "lone_low"),
    thickness=5.0,
    wall=10.0,
    other=9.98,
    others=2,
    scan=22.0,
    index=5.0,
    opened=AT,
    changed=AT + 1,
    by="A. Kern",
    reason="grease",
)

EXAMPLES: list[tuple[str, BaseModel]] = [
    ("state", StateMessage(**OF, state="scanning", part="penstock 3")),
    (
        "state",
        StateMessage(
            **OF,
            state="waiting",
            reason="stopped: motor and encoder disagree",
            todo="press g at the station",
            since=NOW,
        ),
    ),
    ("state", StateMessage(**OF, state="resuming", resumed=41.26, resumed_in=12.3)),
    (
        "crawler",
        CrawlerMessage(
            **OF,
            state="faulted",
            since=NOW,
            armed=False,
            moving=False,
            doing="waiting for a person",
            todo="press g at the station",
            fault=CrawlerFault(
                cause="motor and encoder disagree",
                text="2.5 mm apart",
                measured=2.5,
                limit=2.0,
                unit="mm",
                likely="wheel slip",
                since=NOW,
            ),
            motor_scan=12.3456,
            line=12,
            lines=31,
        ),
    ),
    ("progress", ProgressMessage.of(progress(), OF)),
    (
        "progress",
        ProgressMessage.of(
            progress(
                line=None,
                scan=None,
                index=None,
                seconds_left=None,
                minimum=None,
                minimum_scan=None,
                minimum_index=None,
            ),
            OF,
        ),
    ),
    (
        "line",
        LineMessage.of(
            line(3, measured=19, minimum=9.8765, missing=((9.5, 10.5), (11.5, 12.5))), OF
        ),
    ),
    ("line", LineMessage.of(line(0, measured=0, minimum=None, minimum_scan=None), OF)),
    ("gap", GapMessage.of(gap_snapshot(), OF)),
    (
        "gap",
        GapMessage.of(
            gap_snapshot(status="closed", closed=AT + 1, end=GapEnd.MERGED, merged_into=2),
            OF,
        ),
    ),
    ("check", CheckMessage.of_check(check(), OF)),
    ("port", PortMessage.of_tally("gauge", tally(), OF, stalls=4)),
    ("port", PortMessage.of_tally("gauge", DeviceTally(), OF, stalls=0)),
    ("alarm", AlarmMessage.of_alarm(alarm(), OF)),
    ("alarm", AlarmMessage.of_alarm(alarm(until=AT + 9, acknowledged_by="A. Kern"), OF)),
    ("rescan", RescanMessage.of_wanted([(RequestedGap(7, "A. Kern", AT), gap_snapshot())], OF)),
    ("rescan", RescanMessage.of_wanted([], OF)),
    ("command", CommandMessage(command="line", id="a-1", by="operator", line=3)),
    (
        "command",
        CommandMessage(
            command="exclude",
            id="a-2",
            by="operator",
            reply_to="swathe/bench/reply/crew/1",
            time=datetime(2030, 1, 1, tzinfo=UTC),
            session="0a1b",
            zone=ZoneSnapshot(name="lug", scan=Extent(low=1.0, high=2.0)),
        ),
    ),
    (
        "command",
        CommandMessage(
            command="move",
            id="a-3",
            by="operator",
            stretch=StretchSnapshot(line=5, scan=Extent(0.0, 9.5), last=20.0, begin="weld 12"),
            line=6,
            text="it was line 6",
        ),
    ),
    ("revisions", RevisionsMessage.of_revisions([], OF)),
    ("revisions", RevisionsMessage.of_revisions([REVISION, RESTORED], OF)),
    ("confirm", ConfirmMessage.of_places([], OF)),
    ("confirm", ConfirmMessage.of_places([DOUBTFUL] * 101, OF)),
    ("command", CommandMessage(command="reject", id="a-4", by="K", number=3, text="grease")),
    ("reply", ReplyMessage(**OF, id="a-1", accepted=False, detail="no")),
]


@pytest.mark.parametrize(("topic", "message"), EXAMPLES)
def test_message_round_trip_and_schema(topic: str, message: BaseModel) -> None:
    """A message reads back equal, and fits the published JSON Schema of its topic."""
    payload = message.model_dump_json(by_alias=True)
    assert type(message).model_validate_json(payload) == message
    schema = SCHEMAS[topic]
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)
    validator.validate(json.loads(payload))


@pytest.mark.parametrize(("topic", "message"), EXAMPLES)
def test_schema_refuses_what_the_model_refuses(topic: str, message: BaseModel) -> None:
    """An unknown field and a wrong type are against the schema, not only against the model."""
    schema = SCHEMAS[topic]
    validator = Draft202012Validator(schema)
    payload = json.loads(message.model_dump_json(by_alias=True))
    assert not validator.is_valid({**payload, "colour": "red"})
    assert not validator.is_valid({**payload, "version": 2})
    with pytest.raises(ValidationError):
        type(message).model_validate({**payload, "colour": "red"})


_UNIT = re.compile(r", (mm|mm²|mm/s|ms|s|%|1/s|in 'unit')(?=[;:,]|$| where| read)")
"""A unit in a description: after what the number is, by its symbol (ISO 80000-1, 7.2)."""
_OTHER_UNITS = {
    "overdue_minutes": "minutes",
    "bytes": "bytes",
    "undecoded": "bytes",
    "offset": "byte",
    "length": "bytes",
}
"""Whole numbers that are neither counts of things nor their numbers, and how their unit is named."""


def _fields(schema: dict[str, Any], path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the fields of a schema, those of objects within it and of its alternatives too."""
    for name, field in schema.get("properties", {}).items():
        yield f"{path}.{name}", field
        for part in (field, *field.get("anyOf", ()), field.get("items", {})):
            yield from _fields(part, f"{path}.{name}")


def _all_fields() -> list[tuple[str, dict[str, Any]]]:
    schemas = asyncapi_document()["components"]["schemas"]
    assert all(model.get("description") for model in schemas.values())
    return [one for name, model in schemas.items() for one in _fields(model, name)]


def _types(field: dict[str, Any]) -> set[str]:
    return {part.get("type", "") for part in (field, *field.get("anyOf", ()))}


def test_schema_every_field_is_described() -> None:
    """A reader without Python can tell what each field means."""
    fields = _all_fields()
    assert len(fields) > 200
    assert [path for path, field in fields if not field.get("description")] == []


def test_schema_every_physical_number_names_its_unit() -> None:
    """A number that is no count has the symbol of its unit in its description, as its borders have."""
    without = []
    for path, field in _all_fields():
        name, described = path.rpartition(".")[2], field["description"]
        borders = any(
            "from" in part.get("properties", {}) for part in (field, *field.get("anyOf", ()))
        )
        if "number" in _types(field) or borders:
            if not _UNIT.search(described):
                without.append(path)
        elif "integer" in _types(field):
            # A dimension that the table of whole numbers lacks is noticed by the word for it.
            unit = _OTHER_UNITS.get(name)
            word = re.search(r"second|minute|hour|byte|mm\b", f"{name} {described}")
            if word if unit is None else unit not in described:
                without.append(path)
    assert without == []


def test_crawler_states_are_those_of_the_machine() -> None:
    """The message lists exactly the states of the state machine, which it must not import."""
    assert get_args(CrawlerState) == tuple(str(state) for state in State)


def test_contract_retained_but_commands() -> None:
    """What is so is retained; what is said once is not."""
    assert retained(asyncapi_document()) == {
        "swathe/{station}/state": True,
        "swathe/{station}/progress": True,
        "swathe/{station}/crawler": True,
        "swathe/{station}/line/{number}": True,
        "swathe/{station}/gap/{number}": True,
        "swathe/{station}/check/{number}": True,
        "swathe/{station}/checking": True,
        "swathe/{station}/alarm/{number}": True,
        "swathe/{station}/alarms": True,
        "swathe/{station}/gaps": True,
        "swathe/{station}/rescan": True,
        "swathe/{station}/revisions": True,
        "swathe/{station}/confirm": True,
        "swathe/{station}/port/{device}": True,
        "swathe/{station}/spot/{number}": True,
        "swathe/{station}/spots": True,
        "swathe/{station}/command": False,
    }


def test_topics_of_a_station() -> None:
    """Every topic lies below the station's own."""
    topics = Topics("bench")
    assert topics.state == "swathe/bench/state"
    assert topics.progress == "swathe/bench/progress"
    assert topics.crawler == "swathe/bench/crawler"
    assert topics.command == "swathe/bench/command"
    assert topics.line(3) == "swathe/bench/line/3"
    assert topics.gap(7) == "swathe/bench/gap/7"
    assert topics.port("gauge") == "swathe/bench/port/gauge"
    assert topics.alarm(4) == "swathe/bench/alarm/4"
    assert topics.is_gap(topics.gap(7))
    assert not topics.is_gap("swathe/other/gap/7")
    assert topics.revisions == "swathe/bench/revisions"
    assert topics.confirm == "swathe/bench/confirm"
    assert topics.rescan == "swathe/bench/rescan"
    assert (topics.spots, topics.spot(3)) == ("swathe/bench/spots", "swathe/bench/spot/3")
    assert topics.reply("a-1") == "swathe/bench/reply/a-1"


def test_moment_is_exact_to_the_microsecond() -> None:
    """Ns since 1970 become UTC without a float between."""
    assert moment(AT) == datetime(2027, 1, 15, 8, 0, 0, 123456, tzinfo=UTC)
    assert moment(1_999) == datetime(1970, 1, 1, 0, 0, 0, 1, tzinfo=UTC)


@pytest.mark.parametrize("measured", [1, 29, 57, 58, 113, 9_999, 10_000])
def test_progress_percent_hundredths_are_exact(measured: int) -> None:
    """A share that is a whole number of hundredths is shown as it is: 0.29 % is not 0.28 %."""
    assert percent_of(measured, 10_000) == measured / 100


@given(st.integers(1, 10**9), st.data())
def test_progress_percent_rounds_down(required: int, data: st.DataObject) -> None:
    """The share shown is the true one cut to hundredths: 100 % is shown only when all is done."""
    measured = data.draw(st.one_of(st.integers(0, required), st.just(required - 1)))
    shown = percent_of(measured, required)
    assert round(shown * 100) == measured * 10_000 // required
    assert (shown == 100.0) is (measured == required)


def test_progress_nothing_required_is_all_done() -> None:
    """A plan that excludes everything is complete from the start."""
    assert percent_of(0, 0) == 100.0


def test_progress_and_gap_are_rounded_for_reading() -> None:
    """Positions, thickness and borders have a micrometre, so that inches have their digits."""
    message = ProgressMessage.of(progress(), OF)
    assert (message.scan, message.speed, message.rate, message.minimum) == (
        12.346,
        123.5,
        1000.0,
        9.877,
    )
    assert (message.minimum_scan, message.minimum_index, message.seconds_left) == (3.0, 4.0, 62.0)
    gap = json.loads(GapMessage.of(gap_snapshot(), OF).model_dump_json(by_alias=True))
    assert gap["scan"] == {"from": 9.5, "to": 15.5}
    assert gap["area"] == 6.0
    assert gap["causes"] == {"too fast": 5, "no signal": 1}
    assert gap["status"] == "open"


def test_port_message_tells_the_last_fault_with_its_offset() -> None:
    """The newest fault is shown with its byte offset, its bytes as readable text."""
    message = PortMessage.of_tally("gauge", tally(), OF, stalls=4)
    assert message.faults == {"checksum": 1, "number": 2}
    assert message.last_fault is not None
    assert (message.last_fault.offset, message.last_fault.length) == (99, 4)
    assert message.last_fault.reason == "number"
    assert message.last_fault.excerpt == "\\xff\x00a\n"


@pytest.mark.parametrize(
    "other",
    [
        {"id": ""},
        {"id": "a/b"},
        {"id": "a" * 65},
        {"by": ""},
        {"by": "x" * 81},
        {"line": -1},
        {"command": "explode"},
        {"text": "x" * 1001},
        {"version": 2},
        {"command": "exclude"},
        {"command": "rescan"},
        {"command": "acknowledge"},
        {"command": "discard", "text": "slip"},
        {"command": "discard", "stretch": {"line": 1}, "text": ""},
        {"command": "discard", "stretch": {}, "text": "slip"},
        {"command": "discard", "stretch": {"last": 0}, "text": "slip"},
        {"command": "discard", "stretch": {"last": math.inf}, "text": "slip"},
        {"command": "discard", "stretch": {"line": -1}, "text": "slip"},
        {"command": "discard", "stretch": {"begin": ""}, "text": "slip"},
        {"command": "move", "stretch": {"line": 1}, "text": "slip"},
        {"command": "move", "line": 2, "text": "slip"},
        {"command": "move", "stretch": {"line": 1}, "line": 2, "text": ""},
        {"command": "restore", "text": "slip"},
        {"command": "restore", "revision": 0, "text": "slip"},
        {"command": "restore", "revision": 1, "text": ""},
        {"command": "reference"},
        {"command": "reference", "scan": 3.0, "mark": "weld 12"},
        {"gap": 0},
        {"reply_to": ""},
        {"reply_to": "crew/+"},
        {"reply_to": "crew/#"},
        {"reply_to": "$SYS/x"},
        {"reply_to": "swathe/other/command"},
        {"reply_to": "swathe/other/state"},
        {"reply_to": "swathe/bench/reply/" + "x" * 200},
        {"reply_to": "crew/answers"},
        {"reply_to": "swathe/bench/reply/"},
        {"reply_to": "swathe/bench/reply/+"},
        {"reply_to": "swathe/+/reply/a"},
        {"time": "yesterday"},
        {"time": 10**30},
        {"time": -(10**30)},
        {"time": "2030-01-01T00:00:00"},
        {"session": ""},
    ],
)
def test_command_out_of_bounds_is_refused(other: dict[str, Any]) -> None:
    """A command has bounds for everything that a stranger may send."""
    good = {"command": "note", "id": "a-1", "by": "operator", "text": "wet"}
    assert CommandMessage.model_validate(good).text == "wet"
    with pytest.raises(ValidationError):
        CommandMessage.model_validate({**good, **other})


def test_delay_has_its_interval_with_null_where_unbounded() -> None:
    """Ends of the interval in ms; what is unbounded is null, not infinite."""
    made = DelayMessage.of(DelayEstimate.unknown(2, "too even", "a step"))
    assert (made.error_ms, made.low_ms, made.high_ms) == (None, None, None)
    assert (made.sure, made.reason, made.needs) == (False, "too even", "a step")
    half = DelayEstimate(7e6, 1e6, -5e6, math.inf, 2, sure=False, reason="", needs="")
    assert (DelayMessage.of(half).low_ms, DelayMessage.of(half).high_ms) == (-5.0, None)
    assert DelayMessage.of(half).offset_ms == 7.0


def test_list_to_confirm_has_the_first_hundred_places_and_their_number() -> None:
    """The most dangerous ones are first, so that none of them is left out."""
    message = ConfirmMessage.of_places([DOUBTFUL] * 101, OF)
    assert (len(message.places), message.total) == (100, 101)
