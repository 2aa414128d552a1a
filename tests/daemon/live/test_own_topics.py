"""What others write on the station's own topics: what is put right, and what is reported."""

from __future__ import annotations

from datetime import UTC, datetime

from swathe.live.mirror import Mirror
from swathe.live.own_topics import OwnTopics
from swathe.messages import StateMessage, Topics

S = 1_000_000_000
TOPICS = Topics("bench")
FORGED = b'{"message":"gap","status":"closed"}'


def state(session: str, what: str = "scanning") -> StateMessage:
    """Return a state message of a process."""
    return StateMessage.model_validate(
        {
            "station": "bench",
            "survey": "x",
            "time": datetime(2030, 1, 1, tzinfo=UTC),
            "state": what,
            "session": session,
        }
    )


class Bench:
    """The topics of a process, with a clock that the test sets."""

    def __init__(self, session: str = "aa11") -> None:
        self.now = 0
        self.session = session
        self.settled = True
        self.mirror = Mirror()
        for topic in (TOPICS.state, TOPICS.progress, TOPICS.gap(1)):
            self.mirror.put(topic, state(session))
        self.own = OwnTopics(
            TOPICS,
            session,
            self.mirror,
            is_kept=self.mirror.__contains__,
            settled=lambda: self.settled,
            clock=lambda: self.now,
        )

    def take(self, topic: str, payload: bytes | StateMessage, *, kept: bool = False) -> list[str]:
        """Take a message; return what is put right now."""
        if isinstance(payload, StateMessage):
            payload = payload.model_dump_json(by_alias=True).encode()
        self.own.take(topic, payload, kept=kept)
        return self.own.take_due()


def test_what_somebody_else_writes_is_put_right_at_once_and_reported() -> None:
    """Forged, emptied, invented, or of brackets only."""
    bench = Bench()
    assert bench.take(TOPICS.gap(1), FORGED) == [TOPICS.gap(1)]
    assert bench.own.foreign_writer == ""  # a second station's state may be on its way
    bench.now += 3 * S
    assert "1 times until now, last on swathe/bench/gap/1" in bench.own.foreign_writer
    assert bench.take(TOPICS.progress, b"") == [TOPICS.progress]
    assert bench.take(TOPICS.gap(999), b"[" * 4000) == [TOPICS.gap(999)]
    assert bench.take(TOPICS.state, b"[" * 4000) == [TOPICS.state]
    assert bench.own.name_in_use == ""
    bench.now += 31 * S
    assert bench.own.foreign_writer == ""


def test_a_topic_is_put_right_at_a_bounded_rate() -> None:
    """Whoever writes on and on makes no storm, and what he wrote last is put right all the same."""
    bench = Bench()
    corrections = 0
    for _ in range(1000):
        corrections += len(bench.take(TOPICS.gap(1), FORGED))
        bench.now += S // 100
    assert corrections == 2
    bench.now += 5 * S
    assert bench.own.take_due() == [TOPICS.gap(1)]
    assert bench.own.take_due() == []
    for number in range(1000):
        bench.own.take(TOPICS.gap(10_000 + number), FORGED, kept=False)
    total = len(bench.own.take_due())
    assert total <= 100
    bench.now += S
    assert 0 < len(bench.own.take_due()) <= 20


def test_what_comes_back_from_a_broker_of_mqtt_3_is_ours() -> None:
    """Each publication once; the same text again is somebody else's."""
    bench = Bench()
    for payload in (b"1", b"2", b"3"):
        bench.own.sent(TOPICS.progress, payload)
    assert bench.take(TOPICS.progress, b"1") == []
    assert bench.take(TOPICS.progress, b"3") == []
    assert bench.take(TOPICS.progress, bench.mirror.newest[TOPICS.progress]) == []
    assert bench.take(TOPICS.progress, b"2") == [TOPICS.progress]
    bench.own.sent(TOPICS.gap(9), b"")
    assert bench.take(TOPICS.gap(9), b"") == []
    bench.own.sent(TOPICS.gap(9), b"x")
    bench.own.connected()
    assert bench.take(TOPICS.gap(9), b"x") == [TOPICS.gap(9)]


def test_kept_messages_of_before_are_cleared_once_the_survey_is_known() -> None:
    """They are of an older survey, or forged; none of them is an alarm."""
    bench = Bench()
    bench.settled = False
    assert bench.take(TOPICS.gap(7), FORGED, kept=True) == []
    assert bench.take(TOPICS.gap(8), b"[" * 4000, kept=True) == []
    assert bench.take(TOPICS.gap(1), FORGED, kept=True) == []  # ours follows anyway
    assert bench.take(TOPICS.state, state("bb22"), kept=True) == []
    bench.settled = True
    assert bench.own.take_due() == [TOPICS.gap(7), TOPICS.gap(8)]
    bench.now += 3 * S
    assert (bench.own.foreign_writer, bench.own.name_in_use) == ("", "")


def test_will_of_an_earlier_connection_is_put_right_without_an_alarm() -> None:
    """The broker publishes it when the link is lost, perhaps after it is made again."""
    bench = Bench()
    assert bench.take(TOPICS.state, state("aa11", "offline")) == [TOPICS.state]
    bench.now += 3 * S
    assert (bench.own.foreign_writer, bench.own.name_in_use) == ("", "")


def test_two_stations_of_one_name_notice_each_other_without_a_storm() -> None:
    """Both report it; each puts its state right every 20 s, and all of its topics when one ends."""
    first, second = Bench("aa11"), Bench("bb22")
    delivered = 0
    queue: list[tuple[Bench, str, bytes]] = []

    def publish(sender: Bench, receiver: Bench, topics: list[str]) -> None:
        queue.extend((receiver, topic, sender.mirror.newest[topic]) for topic in topics)

    corrected: list[str] = []
    publish(second, first, [TOPICS.state])
    for _ in range(600):  # a minute
        for sender, receiver in ((first, second), (second, first)):
            sender.now += S // 10
            publish(sender, receiver, [TOPICS.progress])  # each its own, as before
            due = sender.own.take_due()
            corrected += due
            publish(sender, receiver, due)
        for receiver, topic, payload in queue:
            delivered += topic != TOPICS.progress
            receiver.own.take(
                topic, payload + b" " if topic == TOPICS.progress else payload, kept=False
            )
        queue.clear()
    assert "session bb22 on the broker is named 'bench' too" in first.own.name_in_use
    assert "session aa11 on the broker is named 'bench' too" in second.own.name_in_use
    assert first.own.foreign_writer == second.own.foreign_writer == ""
    assert delivered <= 10
    assert corrected.count(TOPICS.progress) <= 2  # before both had noticed
    ended = first.take(TOPICS.state, state("bb22", "incomplete"))
    assert first.own.name_in_use == ""
    first.now += 21 * S
    # All that the other one has written is put right, now that it has gone.
    assert set(ended + first.own.take_due()) == {TOPICS.progress, TOPICS.state}
