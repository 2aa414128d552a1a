"""What is sent when: no port, no clock."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.errors import SettingsError
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.registry import load_driver
from swathe_drivers.settings import read_settings
from swathe_drivers.talk import (
    EndsWith,
    Quiet,
    Request,
    Schedule,
    SoMany,
    TakenAt,
    TalkSettings,
    make_polling,
    make_schedule,
)
from swathe_drivers.talk.settings import to_bytes

MS = 1_000_000
DRIVER = DelimitedDriver(
    DelimitedSettings.model_validate({"columns": [{"is": "thickness", "unit": "mm"}]})
)


def schedule(**table: Any) -> Schedule:
    """A schedule from a table of a description."""
    found = make_schedule(DRIVER, read_settings(TalkSettings, table, key="talk"))
    assert found is not None
    found.opened(0)
    return found


def test_start_commands_come_in_order_with_a_pause() -> None:
    """One behind the other, then the requests."""
    said = schedule(
        start=["A", "hex:42 43"], pause="5 ms", poll=[{"send": "?\n", "every": "20 ms"}]
    )
    assert said.due(0) == b"A"
    assert said.due(0) is None
    assert said.wait_ns(0) == 5 * MS
    assert said.due(4 * MS) is None
    assert said.due(5 * MS) == b"BC"
    assert said.due(10 * MS) == b"?\n"


def test_request_waits_for_the_answer_to_the_one_before() -> None:
    """The next one goes out when it is due, and not before the answer is complete."""
    said = schedule(poll=[{"send": "?\n", "every": "20 ms"}])
    assert said.due(0) == b"?\n"
    said.received(b"12.5\r", 15 * MS)
    assert said.due(25 * MS) is None
    said.received(b"\n", 30 * MS)
    assert said.due(30 * MS) == b"?\n"
    said.received(b"12.6\r\n", 32 * MS)
    assert said.wait_ns(32 * MS) == 8 * MS  # by the clock again: 40 ms
    assert said.due(39 * MS) is None
    assert said.due(40 * MS) == b"?\n"
    assert (said.sent, said.unanswered, said.given_up()) == (3, 0, [])


def test_slow_answers_are_not_made_good_by_a_burst() -> None:
    """After a long silence requests go on in their rhythm."""
    said = schedule(poll=[{"send": "?\n", "every": "20 ms"}])
    assert said.due(0) == b"?\n"
    said.received(b"1\r\n", 300 * MS)
    times = []
    for now in range(300 * MS, 400 * MS, MS):
        if said.due(now):
            times.append(now // MS)
            said.received(b"1\r\n", now)
    assert times == [300, 320, 340, 360, 380]


def given_up_at_100(**table: Any) -> Schedule:
    """A schedule whose first request had no answer within 100 ms."""
    said = schedule(poll=[{"send": "?\n", "every": "20 ms"}], timeout="100 ms", **table)
    assert said.due(0) == b"?\n"
    assert said.wait_ns(0) == 100 * MS
    assert said.due(99 * MS) is None
    said.due(100 * MS)
    assert said.given_up() == [b"?\n"]
    assert said.given_up() == []
    return said


def test_request_without_answer_is_given_up_and_the_line_left_silent() -> None:
    """Once for each; the next one goes out when nothing has come for another time-out."""
    said = given_up_at_100(keep_alive={"send": "hex:00", "every": "30 ms"})
    assert said.wait_ns(100 * MS) == 100 * MS
    assert said.due(199 * MS) is None
    assert said.due(200 * MS) == b"?\n"
    said.lost()
    assert (said.unanswered, said.given_up()) == (2, [b"?\n"])
    said.lost()
    assert said.unanswered == 2


def test_late_answer_ends_the_silence() -> None:
    """Nothing is owed any more; a part of an answer shows that the rest is still to come."""
    said = given_up_at_100()
    said.received(b"12.", 130 * MS)
    assert said.wait_ns(130 * MS) == 100 * MS
    assert said.due(229 * MS) is None
    said.received(b"5\r\n", 229 * MS)
    assert said.due(229 * MS) == b"?\n"


def test_late_answer_that_ends_by_a_silence_ends_the_wait() -> None:
    """As one in time does."""
    said = given_up_at_100(answer={"quiet": "5 ms"})
    said.received(b"12.5", 130 * MS)
    assert said.wait_ns(130 * MS) == 5 * MS
    assert said.due(134 * MS) is None
    assert said.due(135 * MS) == b"?\n"


def test_opening_again_ends_the_silence() -> None:
    """What was asked before the port was lost is not answered."""
    said = given_up_at_100()
    said.opened(120 * MS)
    assert said.due(120 * MS) == b"?\n"


@pytest.mark.parametrize("numbered", [True, False])
def test_device_that_names_its_request_or_sends_unasked_needs_no_silence(numbered: bool) -> None:
    """A number identifies a late answer; where anything may come at any time, silence proves nothing."""
    said = Schedule(
        answers=EndsWith(b"\n"),
        requests=[Request(lambda _: b"?\n", 20 * MS, numbered=numbered)],
        timeout_ns=100 * MS,
        unasked=not numbered,
    )
    said.opened(0)
    assert said.due(0) == b"?\n"
    assert said.due(100 * MS) == b"?\n"
    for latency, asked in ((9, 120), (1, 140), (1, 160)):
        said.received(b"1\n", (asked - 20 + latency) * MS)
        assert said.due(asked * MS) == b"?\n"


def sent_at(latencies: list[int], *, every: int = 5) -> list[int]:
    """When requests go out to a device with these latencies, ms."""
    said = schedule(poll=[{"send": "?\n", "every": f"{every} ms"}])
    now, found = 0, []
    for latency in latencies:
        while said.due(now * MS) is None:
            now += 1
        found.append(now)
        said.received(b"1\r\n", (now + latency) * MS)
    return found


def test_request_waits_as_long_as_answers_usually_take() -> None:
    """Else the second answer to a quick one would be taken for the answer to the next."""
    times = sent_at([30, 40, 12, 12, 12])
    assert [after - before for before, after in pairwise(times[2:])] == [45, 45]


def test_one_slow_answer_slows_nothing() -> None:
    """It is many times the median."""
    times = sent_at([4, 4, 400, 4, 4])
    assert [after - before for before, after in pairwise(times[3:])] == [5]


def test_slow_answers_are_forgotten_after_many_others() -> None:
    """A device that became quicker is polled more quickly again."""
    times = sent_at([32, 32, *[16] * 34])
    assert (times[32] - times[31], times[33] - times[32]) == (36, 36)
    assert times[34] - times[33] == 18


def test_several_requests_take_turns_by_their_times() -> None:
    """The one that is due for longest goes first."""
    said = schedule(poll=[{"send": "a", "every": "10 ms"}, {"send": "b", "every": "30 ms"}])
    sent = b""
    for now in range(0, 60 * MS, MS):
        if data := said.due(now):
            sent += data
            said.received(b"1\r\n", now)
    assert (sent.count(b"a"), sent.count(b"b")) == (6, 2)


def test_keep_alive_is_sent_only_into_a_silence() -> None:
    """Every message puts it off."""
    said = schedule(
        poll=[{"send": "?", "every": "1 s"}], keep_alive={"send": "hex:00", "every": "400 ms"}
    )
    sent = []
    for now in range(0, 2000 * MS, 10 * MS):
        if data := said.due(now):
            sent.append((now // MS, data))
            said.received(b"1\r\n", now)
    assert sent == [
        (0, b"?"), (400, b"\0"), (800, b"\0"),
        (1000, b"?"), (1400, b"\0"), (1800, b"\0"),
    ]  # fmt: skip


def test_opening_again_begins_with_the_start_commands() -> None:
    """A device that was switched off has forgotten what it was told."""
    said = schedule(start=["A"], poll=[{"send": "?", "every": "1 s"}])
    assert said.due(0) == b"A"
    assert said.due(20 * MS) == b"?"
    said.opened(500 * MS)
    assert said.due(500 * MS) == b"A"


@pytest.mark.parametrize(
    ("answer", "chunks", "complete"),
    [
        ({"ends": "hex:0D 0A"}, [b"x\r", b"\ny"], 2),
        ({"bytes": 3}, [b"ab", b"c"], 2),
    ],
)
def test_answer_is_complete_by_end_or_length(
    answer: dict[str, Any], chunks: list[bytes], complete: int
) -> None:
    """Also where it comes in pieces."""
    said = schedule(poll=[{"send": "?", "every": "1 ms"}], answer=answer)
    assert said.due(0) == b"?"
    for number, chunk in enumerate(chunks, 1):
        assert said.due(MS * number) is None
        said.received(chunk, MS * number)
        if number == complete:
            assert said.due(MS * number) == b"?"


def test_answer_is_complete_by_a_silence() -> None:
    """The silence counts from the last byte."""
    said = schedule(poll=[{"send": "?", "every": "1 ms"}], answer={"quiet": "5 ms"})
    assert said.due(0) == b"?"
    said.received(b"a", 2 * MS)
    said.received(b"b", 6 * MS)
    assert said.wait_ns(6 * MS) == 5 * MS
    assert said.due(10 * MS) is None
    assert said.due(11 * MS) == b"?"


def test_frames_tell_where_an_answer_ends() -> None:
    """By length or stop byte; else by a silence."""
    fields = [{"is": "counts", "type": "u2", "axis": "scan"}]
    for framing, kind in (
        ({"kind": "fixed", "sync": [1], "length": 3}, SoMany),
        ({"kind": "start_stop", "start": 2, "stop": 3}, EndsWith),
        ({"kind": "idle_gap", "gap": "1 ms"}, type(None)),
    ):
        settings = FramesSettings.model_validate({"framing": framing, "fields": fields})
        assert isinstance(FramesDriver(settings).answers(), kind)
    assert Quiet(1).settles_at is None


def test_driver_that_asks_nothing_without_a_table_has_no_schedule() -> None:
    """A device that only sends is never written to."""
    assert make_schedule(DRIVER, None) is None
    modbus = load_driver("modbus")
    reads = [{"fields": [{"is": "counts", "axis": "scan", "register": 0, "type": "int16"}]}]
    asking = make_schedule(modbus(modbus.Settings.model_validate({"reads": reads})), None)
    assert asking is not None
    assert asking.due(0) == bytes.fromhex("01 03 00 00 00 01 84 0A")


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"start": ["hex:1"]}, "'talk.start[0]' must list bytes like 'hex:01 03 FF' (got 'hex:1')"),
        ({"start": [""]}, "'talk.start[0]' must have 1 to 1024 bytes (got '')"),
        ({"stop": ["€"]}, "'talk.stop[0]' must consist of characters up to U+00FF, one byte each (got '€')"),
        ({"poll": [{"send": "a", "every": "0 ms"}]}, "'talk.poll[0].every' must be > 0 (got '0 ms')"),
        ({"answer": {}}, "'talk.answer' must have one of 'ends', 'bytes' and 'quiet' (got {})"),
        ({"taken_at": "half"}, "'talk.taken_at' must be 'request', 'answer' or 'between' (got 'half')"),
        ({"taken_at": "answer", "unasked": True},
         "'talk.taken_at' must be left out with 'unasked': what a device sends by itself has the time"
         " of its arrival (got 'answer')"),
        ({"pol": []}, "'talk.pol' must be left out: there is no such setting (got [])"),
    ],
)  # fmt: skip
def test_settings_with_mistake_name_the_key(table: dict[str, Any], told: str) -> None:
    """In one sentence."""
    with pytest.raises(SettingsError) as caught:
        read_settings(TalkSettings, table, key="talk")
    assert str(caught.value) == told


def test_texts_stand_for_bytes() -> None:
    """One character is one byte, and hex is hex."""
    assert to_bytes("\x02M\xff\r") == b"\x02M\xff\r"
    assert to_bytes("hex:01 03fF") == b"\x01\x03\xff"


def test_description_holds_the_table() -> None:
    """Its mistakes are told with the others."""
    text = """
    [protocol]
    columns = [{ is = "thickness", unit = "mm" }]
    [talk]
    poll = [{ send = "M?\\n", every = "20 ms" }]
    """
    said = parse_description(text, "gauge.toml").schedule()
    assert said is not None
    assert said.due(0) == b"M?\n"
    with pytest.raises(
        DescriptionError, match=r"gauge.toml: 'talk.poll\[0\].every' must be a time"
    ):
        parse_description(text.replace("20 ms", "20"), "gauge.toml")


def polling(driver: Any = DRIVER, **table: Any) -> Any:
    """What a table shows of how answers belong to requests."""
    return make_polling(driver, read_settings(TalkSettings, table, key="talk"))


def test_moment_of_a_polled_reading_is_between_unless_stated() -> None:
    """Modbus, which polls by itself, has the setting in the same table."""
    poll = [{"send": "?", "every": "1 s"}]
    assert polling(poll=poll).taken_at is TakenAt.BETWEEN
    assert polling(poll=poll, taken_at="request").taken_at is TakenAt.REQUEST
    modbus = load_driver("modbus")
    reads = [{"fields": [{"is": "counts", "axis": "scan", "register": 0, "type": "int16"}]}]
    made = modbus(modbus.Settings.model_validate({"reads": reads}))
    assert make_polling(made, None).taken_at is TakenAt.BETWEEN  # type: ignore[union-attr]
    assert polling(made, taken_at="answer").taken_at is TakenAt.ANSWER


def test_device_that_sends_by_itself_is_not_polled() -> None:
    """Without a request, or by its setting."""
    assert make_polling(DRIVER, None) is None
    assert polling(start=["RATE 50"], keep_alive={"send": "!", "every": "1 s"}) is None
    assert polling(poll=[{"send": "?", "every": "1 s"}], unasked=True) is None


def test_commands_are_no_requests_unless_they_are_polled_too() -> None:
    """No record answers them."""
    found = polling(
        start=["A", "?"], stop=["B"], keep_alive={"send": "hex:00", "every": "1 s"},
        poll=[{"send": "?", "every": "1 s"}],
    )  # fmt: skip
    assert found.commands == {b"A", b"B", b"\0"}


def test_silence_is_kept_behind_the_last_byte() -> None:
    """An answer that is followed by more bytes delays the next request; `wait_ns` agrees."""
    said = schedule(poll=[{"send": "?\n", "every": "10 ms"}], quiet="6 ms", unasked=True)
    assert said.due(0) == b"?\n"
    said.received(b"1\r\n", 2 * MS)
    said.received(b"> ", 9 * MS)
    assert said.due(10 * MS) is None
    assert said.wait_ns(10 * MS) == 5 * MS
    assert said.due(15 * MS) == b"?\n"


@pytest.mark.parametrize(
    ("ns_per_byte", "timeout"),
    [(0, 500 * MS), (86_806, 500 * MS), (8_333_333, 300 * MS + 258 * 8_333_333)],
)
def test_time_out_that_is_not_given_follows_the_line(ns_per_byte: int, timeout: int) -> None:
    """At 1200 baud a line of 256 bytes behind a request of two takes longer than half a second."""
    talk = TalkSettings.model_validate({"poll": [{"send": "?\n", "every": "20 ms"}]})
    said = make_schedule(DRIVER, talk, ns_per_byte=ns_per_byte)
    assert said is not None
    said.opened(0)
    assert said.due(0) == b"?\n"
    assert said.wait_ns(0) == timeout
