"""Sending over real ports: in turn with acknowledgement, and a stop out of turn."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from drivers.doubles import PtyPort, TcpServer, wait_until
from drivers.motion.machine import FarEnd, Told, gcode
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import DriverUsageError, LimitError, PortError
from swathe_drivers.motion import CommandOutcome, EventKind, MotionDriver, MotionPort, Receipt
from swathe_drivers.transport import PortSettings, open_transport

LATEST_S = 0.2
"""A stop must be at the port within 50 ms; four times that is asserted on a noisy machine."""


def agree(line: bytes) -> bytes | None:
    """Acknowledge everything."""
    return b"X:1.0 Y:2.0 idle\nok\n" if line == b"M114" else b"ok\n"


@pytest.fixture
def far(tmp_path: Path) -> Iterator[Callable[[Callable[[bytes], bytes | None]], FarEnd]]:
    """Makes a far end with some answers."""
    made: list[FarEnd] = []

    def make(answer: Callable[[bytes], bytes | None] = agree) -> FarEnd:
        made.append(FarEnd(tmp_path / "crawler", answer))
        return made[-1]

    yield make
    for end in made:
        end.close()


def opened(url: object, told: Told, driver: MotionDriver | None = None, **rest: Any) -> MotionPort:
    """A port that is not started."""
    return MotionPort(
        "crawler",
        PortSettings(url=str(url)),
        driver if driver is not None else gcode(timeout_s=0.3),
        on_event=told.on_event,
        on_sent=told.on_sent,
        backoff=Backoff(first=0.01, cap=0.05),
        **rest,
    )


def outcome(future: Future[Receipt]) -> CommandOutcome:
    """How a command ended."""
    return future.result(10).outcome


def armed(port: MotionPort) -> None:
    """Wait until it is open and arm it."""
    port.wait_open(10)
    assert outcome(port.arm()) is CommandOutcome.ACKNOWLEDGED
    assert port.armed


def test_commands_go_in_turn_each_after_the_acknowledgement_before(far: Any) -> None:
    """No line is sent while another waits; all that was sent is told with its time."""
    waiting: list[bytes] = []
    most = 0

    def slow(line: bytes) -> bytes | None:
        nonlocal most
        waiting.append(line)
        most = max(most, len(waiting))
        time.sleep(0.02)
        waiting.clear()
        return b"ok\n"

    end, told = far(slow), Told()
    with opened(end.port.link, told) as port:
        armed(port)
        moves = [port.move({"scan": 10.0 * n}, speed=20) for n in range(4)]
        assert [outcome(move) for move in moves] == [CommandOutcome.ACKNOWLEDGED] * 4
        assert port.busy == 0
        assert most == 1
        expected = [b"G21", b"G90", b"M17"] + [b"G1 X%d.000 F1200.000" % (10 * n) for n in range(4)]
        assert end.lines == expected
        assert b"".join(data for _, data in told.sent) == end.data
        times = [time_ns for time_ns, _ in told.sent]
        assert times == sorted(times)


def test_query_tells_the_position_before_it_is_done(far: Any) -> None:
    """Whoever waits for the query finds the position among the events."""
    told = Told()
    with opened(far(agree).port.link, told) as port:
        port.wait_open(10)
        assert outcome(port.query_position()) is CommandOutcome.ACKNOWLEDGED
        (event,) = [event for event in told.events if event.kind is EventKind.POSITION]
        assert event.position == {"scan": 1.0, "index": 2.0}


def test_future_can_be_awaited(far: Any) -> None:
    """An asyncio program needs no thread of its own."""
    with opened(far(agree).port.link, Told()) as port:
        port.wait_open(10)

        async def ask() -> Receipt:
            return await asyncio.wrap_future(port.arm())

        assert asyncio.run(ask()).outcome is CommandOutcome.ACKNOWLEDGED


def test_motion_before_arming_or_over_a_limit_is_never_sent(far: Any) -> None:
    """Not armed, over a limit, and armed again after disarm: each is refused at once."""
    end = far(agree)
    with opened(end.port.link, Told()) as port:
        port.wait_open(10)
        with pytest.raises(
            DriverUsageError, match="'crawler' is not armed; arm it before: move to scan"
        ):
            port.move({"scan": 1.0}, speed=1)
        with pytest.raises(DriverUsageError, match="home scan"):
            port.home("scan")
        armed(port)
        with pytest.raises(LimitError):
            port.move({"scan": 2000.0}, speed=1)
        assert outcome(port.disarm()) is CommandOutcome.ACKNOWLEDGED
        with pytest.raises(DriverUsageError):
            port.move({"scan": 1.0}, speed=1)
    assert not re.search(rb"G1|G28", end.data)


def test_refused_command_takes_those_behind_it_with_it(far: Any) -> None:
    """A raster does not go on with its second line when the first was refused."""
    end = far(lambda line: b"error: no\n" if b"X10" in line else b"ok\n")
    with opened(end.port.link, Told()) as port:
        armed(port)
        first = port.move({"scan": 10.0}, speed=20)
        second = port.move({"scan": 20.0}, speed=20)
        assert outcome(first) is CommandOutcome.REFUSED
        assert first.result().text == "error: no"
        # Whether the second was asked for before or after the refusal is chance.
        assert outcome(second) in (CommandOutcome.DISCARDED, CommandOutcome.ACKNOWLEDGED)
        assert port.armed
        assert outcome(port.move({"scan": 5.0}, speed=20)) is CommandOutcome.ACKNOWLEDGED


def test_lost_acknowledgement_is_told_and_later_commands_go_on(far: Any) -> None:
    """The command ends as unanswered after its time; the next one is not taken for it."""
    lost = [b"G1 X10.000 F1200.000"]
    end = far(lambda line: None if line in lost else b"ok\n")
    with opened(end.port.link, Told()) as port:
        armed(port)
        first, second = (port.move({"scan": scan}, speed=20) for scan in (10.0, 20.0))
        assert outcome(first) is CommandOutcome.UNANSWERED
        assert "no acknowledgement of b'G1 X10.000 F1200.000\\n' in 0.3 s" in first.result().text
        assert outcome(second) is CommandOutcome.DISCARDED
        assert outcome(port.move({"scan": 30.0}, speed=20)) is CommandOutcome.ACKNOWLEDGED
        assert b"X20" not in end.data


def test_busy_answer_extends_the_time(far: Any) -> None:
    """A machine that asks for patience gets it."""
    end = far(lambda line: None if b"G28" in line else b"ok\n")
    with opened(end.port.link, Told(), gcode(homing_timeout_s=0.4)) as port:
        armed(port)
        home = port.home("scan")
        for _ in range(6):
            time.sleep(0.1)
            end.port.send(b"busy: homing\n")
        assert not home.done()
        end.port.send(b"ok\n")
        assert outcome(home) is CommandOutcome.ACKNOWLEDGED


def test_alarm_ends_all_and_disarms(far: Any) -> None:
    """After an alarm nothing moves until it is armed again."""
    end, told = far(lambda line: b"alarm: travel\n" if b"X9" in line else b"ok\n"), Told()
    with opened(end.port.link, told) as port:
        armed(port)
        move = port.move({"scan": 900.0}, speed=20)
        assert outcome(move) is CommandOutcome.ALARM
        assert move.result().text == "alarm: travel"
        assert not port.armed
        armed(port)


def test_restart_ends_all_and_disarms(far: Any) -> None:
    """A greeting in the middle of a run: units, modes and position are lost. Unarmed it is nothing."""
    end, told = far(lambda line: b"HI 2.1\n" if b"X9" in line else b"ok\n"), Told()
    with opened(end.port.link, told, gcode(answers={"restarted": r"HI \d\.\d"})) as port:
        end.port.send(b"HI 2.1\n")
        armed(port)
        move = port.move({"scan": 900.0}, speed=20)
        assert outcome(move) is CommandOutcome.ALARM
        assert move.result().text == "HI 2.1"
        assert not port.armed
        armed(port)


def test_garbage_between_answers_is_counted_and_harmless(far: Any) -> None:
    """Garbage acknowledges nothing and hides nothing."""
    end, told = far(lambda _: b"\xff\x00\x9a\nok\n"), Told()
    with opened(end.port.link, told) as port:
        armed(port)
        assert outcome(port.move({"scan": 1.0}, speed=20)) is CommandOutcome.ACKNOWLEDGED
        assert sum(port.codec.n_faults.values()) == 4
        faults = [event.fault for event in told.events if event.fault is not None]
        assert [fault.offset for fault in faults] == [0, 7, 14, 21]


def test_stop_goes_out_of_turn_while_a_command_waits(far: Any) -> None:
    """The stop is at the far end at once, the commands end as stopped, motion needs arming."""
    end, told = far(lambda line: None if b"G1" in line else b"ok\n"), Told()
    with opened(end.port.link, told, gcode(timeout_s=30)) as port:
        armed(port)
        moves = [port.move({"scan": 10.0 * n}, speed=20) for n in range(5)]
        wait_until(lambda: b"G1" in end.data, "the first move")
        begun = time.monotonic_ns()
        port.stop()
        wait_until(lambda: b"!" in end.data, "the stop")
        arrived = next(at for at, data in end.heard if b"!" in data)
        assert (arrived - begun) / 1e9 < LATEST_S
        assert [outcome(move) for move in moves] == [CommandOutcome.STOPPED] * 5
        with pytest.raises(DriverUsageError):
            port.move({"scan": 1.0}, speed=1)
        time.sleep(0.1)
        assert end.data.endswith(b"!")
        assert told.sent[-1][1] == b"!"
        armed(port)


def filled(port: MotionPort) -> None:
    """Send until the port takes no more, and has taken no more for a while."""
    for data in (b"x" * 1000, b"x"):  # a terminal may take few bytes where it takes no more many
        idle = 0
        while idle < 20:
            idle = 0 if port._reader.write_some(data) else idle + 1
            time.sleep(0.01 if idle else 0)


def test_stop_passes_a_write_that_is_blocked(far: Any) -> None:
    """A far end that reads nothing blocks a command; the stop takes its place at once."""
    end, told = far(agree), Told()
    with opened(end.port.link, told, gcode(timeout_s=30)) as port:
        armed(port)
        end.reading.clear()
        time.sleep(0.05)
        filled(port)
        move = port.move({"scan": 10.0}, speed=20)
        time.sleep(0.1)
        assert not move.done()
        begun = time.monotonic()
        port.stop()
        assert time.monotonic() - begun < LATEST_S
        assert outcome(move) is CommandOutcome.STOPPED
        end.reading.set()
        wait_until(lambda: end.data.endswith(b"!"), "the stop at the far end")
        assert b"G1" not in end.data


def test_write_that_stays_blocked_ends_as_lost_and_owes_a_stop(far: Any) -> None:
    """What was perhaps half sent is followed by nothing but a stop."""
    end, told = far(agree), Told()
    with opened(end.port.link, told, gcode(timeout_s=30)) as port:
        armed(port)
        end.reading.clear()
        time.sleep(0.05)
        filled(port)
        move = port.move({"scan": 10.0}, speed=20)
        assert outcome(move) is CommandOutcome.LOST
        assert "takes no bytes" in move.result().text
        assert not port.armed
        end.reading.set()
        wait_until(lambda: end.data.endswith(b"!"), "the stop at the far end")
        armed(port)


def test_stop_that_tcp_takes_no_more_is_told() -> None:
    """From a stream nothing can be taken back; the user hears of it and uses another way."""
    # A receive buffer that grew would take the stop after all.
    with TcpServer(receive_buffer=4096) as server, opened(server.url, Told()) as port:
        server.accept()
        port.wait_open(10)
        filled(port)
        with pytest.raises(PortError, match="takes no bytes, not even a stop"):
            port.stop()


def test_stop_from_many_threads_and_from_a_callback(far: Any) -> None:
    """Each call returns; a callback may stop, too."""
    end = far(lambda _: b"ok\nX:5 Y:5\n")
    stops: list[int] = []

    def on_event(event: Any) -> None:
        if event.kind is EventKind.POSITION:
            port.stop()
            stops.append(1)

    port = MotionPort(
        "crawler", PortSettings(url=str(end.port.link)), gcode(arm=[]), on_event=on_event
    )
    with port:
        port.wait_open(10)
        assert outcome(port.arm()) is CommandOutcome.ACKNOWLEDGED
        assert outcome(port.query_position()) in (
            CommandOutcome.ACKNOWLEDGED,
            CommandOutcome.STOPPED,
        )
        wait_until(lambda: bool(stops), "the callback's stop")
        threads = [threading.Thread(target=port.stop) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(10)
        wait_until(lambda: end.data.count(b"!") == 8 + len(stops), "all stops")


def test_stop_that_should_be_acknowledged_is_repeated(far: Any) -> None:
    """Two are lost, the third is acknowledged; none comes after it."""
    count = 0

    def third(line: bytes) -> bytes | None:
        nonlocal count
        count += line == b"M112"
        return b"ok\n" if count >= 3 else None

    end, told = far(third), Told()
    driver = gcode(stop="M112\n", stop_acknowledged=True, timeout_s=0.1)
    with opened(end.port.link, told, driver) as port:
        port.wait_open(10)
        port.stop()
        wait_until(lambda: count == 3, "three stops")
        time.sleep(0.3)
        assert end.lines == [b"M112"] * 3
        assert "refused" not in told.kinds


def test_stop_never_acknowledged_is_told(far: Any) -> None:
    """After three tries the user is told."""
    end, told = far(lambda _: None), Told()
    driver = gcode(stop="M112\n", stop_acknowledged=True, timeout_s=0.05)
    with opened(end.port.link, told, driver) as port:
        port.wait_open(10)
        port.stop()
        wait_until(lambda: "refused" in told.kinds, "the complaint")
    assert told.events[-1].text == "the stop was sent 3 times and never acknowledged"


def test_port_lost_while_armed_is_stopped_first_when_it_is_back(far: Any) -> None:
    """Commands end as lost; the stop is the first thing sent after the return."""
    end = far(lambda line: None if b"G1" in line else b"ok\n")
    with opened(end.port.link, Told(), gcode(timeout_s=30)) as port:
        armed(port)
        move = port.move({"scan": 10.0}, speed=20)
        wait_until(lambda: b"G1" in end.data, "the move")
        end.port.unplug()
        assert outcome(move) is CommandOutcome.LOST
        assert not port.armed
        with pytest.raises(PortError):
            port.arm()
        end.heard.clear()
        end.port.plug()
        armed(port)
        assert end.data.startswith(b"!G21\n")


def test_stop_without_a_port_is_told_and_owed(far: Any) -> None:
    """A stop that can't be sent raises, and goes first as soon as the port is back."""
    end = far(agree)
    with opened(end.port.link, Told()) as port:
        port.wait_open(10)
        end.port.unplug()
        wait_until(lambda: port.state != "open", "the loss")
        with pytest.raises(PortError, match="is not open"):
            port.stop()
        end.heard.clear()
        end.port.plug()
        port.wait_open(10)
        wait_until(lambda: end.data == b"!", "the stop")


def test_close_stops_an_armed_machine(far: Any) -> None:
    """Leaving the block in the middle of a move stops it; closing twice is harmless."""
    end = far(lambda line: None if b"G1" in line else b"ok\n")
    with opened(end.port.link, Told(), gcode(timeout_s=30)) as port:
        armed(port)
        move = port.move({"scan": 10.0}, speed=20)
        wait_until(lambda: b"G1" in end.data, "the move")
    assert outcome(move) is CommandOutcome.STOPPED
    wait_until(lambda: end.data.endswith(b"!"), "the stop")
    port.close()
    with pytest.raises(DriverUsageError):
        port.stop()


def test_start_twice_is_refused_and_again_after_close_works(far: Any) -> None:
    """The life of a port is that of a reader."""
    port = opened(far(agree).port.link, Told())
    port.close()
    with port:
        with pytest.raises(DriverUsageError):
            port.start()
        armed(port)
    with port:
        armed(port)


def test_callback_that_fails_stops_the_machine(far: Any) -> None:
    """Nobody watches any more, so nothing may move."""
    end = far(lambda _: b"ok\n")
    caught: list[str] = []

    def fail(event: Any) -> None:
        if event.kind is EventKind.POSITION:
            message = "no room"
            raise RuntimeError(message)

    before = threading.excepthook
    threading.excepthook = lambda found: caught.append(str(found.exc_value))
    try:
        port = MotionPort("crawler", PortSettings(url=str(end.port.link)), gcode(), on_event=fail)
        with port:
            armed(port)
            end.port.send(b"X:1 Y:1\n")
            wait_until(lambda: end.data.endswith(b"!"), "the stop")
            wait_until(lambda: bool(caught), "the failure")
    finally:
        threading.excepthook = before
    assert caught == ["no room"]


def test_tcp_port_commands_and_stop() -> None:
    """The same over TCP."""
    with TcpServer() as server, opened(server.url, Told(), gcode(arm=["M17"])) as port:
        client = server.accept()
        port.wait_open(10)
        arming = port.arm()
        assert client.recv(100) == b"M17\n"
        client.sendall(b"ok\n")
        assert outcome(arming) is CommandOutcome.ACKNOWLEDGED
        port.move({"scan": 1.0}, speed=1)
        assert client.recv(100) == b"G1 X1.000 F60.000\n"
        begun = time.monotonic()
        port.stop()
        assert client.recv(100) == b"!"
        assert time.monotonic() - begun < LATEST_S


def test_write_some_and_discard_output_of_a_blocked_terminal(tmp_path: Path) -> None:
    """What a terminal does not take is not waited for, and can be taken back."""
    with PtyPort(tmp_path / "port") as end:
        transport = open_transport(PortSettings(url=str(end.link)))
        try:
            begun = time.monotonic()
            taken = 0
            for _ in range(20):
                while count := transport.write_some(b"x"):
                    taken += count
                time.sleep(0.01)
            assert time.monotonic() - begun < 5
            assert 0 < taken < 1_000_000
            assert transport.discard_output()
            assert transport.write_some(b"!") == 1
            assert not transport.discard_output()
        finally:
            transport.close()
