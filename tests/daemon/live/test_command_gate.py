"""Which commands over MQTT are executed: fresh, new, and for this station."""

from __future__ import annotations

from typing import Any

import pytest

from swathe.live.command_gate import CommandGate, Delivery
from swathe.messages import CommandMessage, Topics, moment

S = 1_000_000_000
NEW = Delivery(retained=False, shows_retained=True)
OLD = Delivery(retained=False, shows_retained=False)


class Bench:
    """A gate whose clocks the test sets."""

    def __init__(self) -> None:
        self.now = 2_000_000_000 * S
        self.set_by = 0
        self.moves = False
        self.gate = CommandGate(
            Topics("bench"),
            "aa11",
            lifetime=30 * S,
            must_stop=lambda: self.moves,
            clock=lambda: self.now + self.set_by,
            monotonic=lambda: self.now,
        )

    def why_not(self, arrival: Delivery = NEW, *, age: float | None = None, **other: Any) -> str:
        """Return why a command is not executed; `age` in s puts a time into it."""
        given = {} if age is None else {"time": moment(self.now + self.set_by - round(age * S))}
        command = {"command": "note", "id": "a", "by": "crew", "text": "x", **given, **other}
        return self.gate.why_not(CommandMessage.model_validate(command), arrival)


@pytest.mark.parametrize("command", ["stop", "pause", "note"])
def test_retained_command_is_refused_whatever_it_is(command: str) -> None:
    """Also a stop: the broker would give it again at each connection, to each run."""
    bench = Bench()
    bench.moves = True
    retained = Delivery(retained=True, shows_retained=True)
    assert "retained" in bench.why_not(retained, command=command, age=0)


def test_command_older_than_its_lifetime_is_refused_with_both_times() -> None:
    """And one from the future: a clock is wrong then."""
    bench = Bench()
    bench.now += 100 * S
    assert bench.why_not(OLD, age=29.9) == ""
    for age in (30.1, 3600, -30.1):
        why = bench.why_not(OLD, age=age, id=f"b{age:.0f}")
        assert "commands live 30 s ('broker.command_lifetime')" in why
        assert "2033-05-18T03:35:00+00:00" in why
    assert bench.why_not(OLD, age=-29.9, id="c") == ""


def test_command_without_a_time_needs_a_protocol_that_shows_what_is_kept() -> None:
    """MQTT 3.1.1 delivers what was published to be kept as if it were not."""
    bench = Bench()
    assert bench.why_not(NEW) == ""
    assert "'time' is required" in bench.why_not(OLD, id="b")


def test_command_of_before_the_run_is_not_repeated_to_it() -> None:
    """A recorded stop does not end the next run too."""
    bench = Bench()
    bench.now += 10 * S
    assert bench.why_not(age=11) == "it was given before this run began"
    assert bench.why_not(age=9, id="b") == ""


@pytest.mark.parametrize("by", [-86_400, -5, 5, 86_400])
def test_clock_that_was_set_in_the_run_does_not_change_what_was_before_it(by: int) -> None:
    """A day back, and for a day every command was 'given before this run began'."""
    bench = Bench()
    bench.now += 10 * S
    bench.set_by = by * S
    assert bench.why_not(age=9) == ""
    assert bench.why_not(age=11, id="b") == "it was given before this run began"


def test_id_is_used_once() -> None:
    """An equal command may be delivered twice soon; later, or with other contents, it is a replay."""
    bench = Bench()
    assert bench.why_not(text="one") == ""
    assert bench.why_not(text="one") == ""
    assert "'id' was used before" in bench.why_not(text="two")
    bench.now += 26 * S
    assert "'id' was used before" in bench.why_not(text="one")
    assert bench.why_not(text="one", id="b") == ""


def test_reply_stays_below_the_stations_own_topic() -> None:
    """Another station's replies are not ours to write."""
    bench = Bench()
    assert bench.why_not(reply_to="swathe/bench/reply/crew/7") == ""
    assert "'reply_to' must begin with swathe/bench/reply/" in bench.why_not(
        reply_to="swathe/other/reply/7", id="b"
    )
    for topic in ("swathe/bench/reply/", "swathe/bench/state", "crew/a", "", None, 7,
                  "swathe/bench/reply/+", "swathe/bench/reply/a\x1b", "swathe/bench/reply/" + "a" * 200):  # fmt: skip
        assert not bench.gate.may_reply_on(topic), topic


def test_two_stations_of_one_name_are_told_apart_by_their_sessions() -> None:
    """A command names the one that it is for; without a name neither obeys."""
    bench = Bench()
    shared = Delivery(retained=False, shows_retained=True, shared=True)
    assert "this one is aa11" in bench.why_not(shared, command="stop")
    assert bench.why_not(shared, command="stop", session="aa11", id="b") == ""
    assert bench.why_not(shared, session="bb22", id="c") == (
        "it is for session bb22, and this one is aa11"
    )
    assert bench.why_not(NEW, session="bb22", id="d") != ""


def test_stop_of_a_crawler_in_motion_is_obeyed_whatever_is_wrong_with_it() -> None:
    """Whoever sees a crawler fail may stop it: with a wrong clock, without a session, twice."""
    bench = Bench()
    shared = Delivery(retained=False, shows_retained=False, shared=True)
    assert bench.why_not(shared, command="stop") != ""
    bench.moves = True
    for age in (None, 4000, -4000):
        assert bench.why_not(shared, command="stop", age=age) == ""
    assert bench.why_not(shared, command="pause") != ""


def test_flood_is_bounded_and_ends() -> None:
    """A burst of 40, then ten a second."""
    bench = Bench()
    assert [bench.gate.floods() for _ in range(42)] == [False] * 40 + [True] * 2
    bench.now += S
    assert [bench.gate.floods() for _ in range(11)] == [False] * 10 + [True]
