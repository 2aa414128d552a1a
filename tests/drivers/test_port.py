"""Reading real ports: life cycle, loss and return."""

import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers.doubles import PtyPort, Tape, TcpServer, wait_until
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import DriverUsageError, PortError
from swathe_drivers.port import PortReader, PortState, open_port
from swathe_drivers.transport import PortSettings


@pytest.fixture
def far_end(tmp_path: Path) -> Iterator[PtyPort]:
    """The far end of a terminal whose near end is named `gauge`."""
    with PtyPort(tmp_path / "gauge") as port:
        yield port


@pytest.fixture
def server() -> Iterator[TcpServer]:
    """A TCP server."""
    with TcpServer() as found:
        yield found


def reader(url: str | Path, tape: Tape, *, gather: float = 0.0) -> PortReader:
    """A reader that tries again quickly."""
    return PortReader(
        "gauge",
        PortSettings(url=str(url)),
        on_chunk=tape.on_chunk,
        on_state=tape.on_state,
        backoff=Backoff(first=0.01, cap=0.05),
        gather=gather,
    )


def test_arrivals_are_gathered_after_the_first(
    far_end: PtyPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first bytes come at once; what arrives in the time after them comes as one chunk."""
    slept: list[float] = []
    arrived = threading.Event()

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        arrived.wait(5)

    clock = SimpleNamespace(sleep=sleep, monotonic_ns=time.monotonic_ns, monotonic=time.monotonic)
    monkeypatch.setattr("swathe_drivers.port.time", clock)
    tape = Tape()
    with reader(far_end.link, tape, gather=0.25) as port:
        port.wait_open(5)
        far_end.send(b"first")
        wait_until(lambda: bool(slept), "the time in which arrivals are gathered")
        for piece in (b"a", b"b", b"c"):
            far_end.send(piece)
        arrived.set()
        wait_until(lambda: tape.data == b"firstabc", "all bytes")
    assert [data for _, _, data in tape.chunks] == [b"first", b"abc"]
    assert slept[0] == 0.25


def test_start_twice_is_refused(far_end: PtyPort) -> None:
    """A reader that is started already says so and goes on."""
    with reader(far_end.link, Tape()) as port:
        with pytest.raises(DriverUsageError) as caught:
            port.start()
        assert str(caught.value) == "the reader of 'gauge' is started already; close it first"
        with pytest.raises(DriverUsageError):
            port.__enter__()
        port.wait_open(5)


def test_close_before_start_is_harmless(far_end: PtyPort) -> None:
    """Nothing to close, nothing raised, and it can still be started."""
    tape = Tape()
    port = reader(far_end.link, tape)
    port.close()
    assert port.state is PortState.CLOSED
    with port:
        port.wait_open(5)
    assert tape.count(PortState.OPEN) == 1


def test_close_twice_is_harmless(far_end: PtyPort) -> None:
    """The second close does nothing and reports nothing."""
    tape = Tape()
    with reader(far_end.link, tape) as port:
        port.wait_open(5)
        port.close()
        port.close()
    assert tape.count(PortState.CLOSED) == 1
    assert tape.states[-1] == (PortState.CLOSED, "closed by the user")
    assert port.state is PortState.CLOSED


def test_start_again_after_close_reads_again(far_end: PtyPort) -> None:
    """A closed reader can be used once more."""
    tape = Tape()
    port = reader(far_end.link, tape)
    for number in range(2):
        with port:
            port.wait_open(5)
            far_end.send(b"%d\r\n" % number)
            wait_until(lambda number=number: b"%d" % number in tape.data, "a line")  # type: ignore[misc]
            assert port.bytes_read == 3
            assert port.reconnects == 0
    assert tape.data == b"0\r\n1\r\n"


def test_close_from_callback_ends_the_thread(far_end: PtyPort) -> None:
    """A taker may close the reader it is called by."""
    tape = Tape()

    def close_at_once(name: str, time_ns: int, data: bytes) -> None:
        tape.on_chunk(name, time_ns, data)
        port.close()

    port = PortReader(
        "gauge",
        PortSettings(url=str(far_end.link)),
        on_chunk=close_at_once,
        on_state=tape.on_state,
    )
    with port:
        port.wait_open(5)
        far_end.send(b"x")
        wait_until(lambda: port.state is PortState.CLOSED, "the end of the thread")
    assert tape.count(PortState.CLOSED) == 1


def test_callback_that_fails_closes_the_port_and_is_told(far_end: PtyPort) -> None:
    """A mistake in a taker is not swallowed: the port closes, the state and the hook say why."""
    tape = Tape()
    caught: list[str] = []

    def fail(_name: str, _time_ns: int, _data: bytes) -> None:
        message = "no room"
        raise RuntimeError(message)

    before = threading.excepthook
    threading.excepthook = lambda found: caught.append(str(found.exc_value))
    try:
        port = PortReader(
            "gauge", PortSettings(url=str(far_end.link)), on_chunk=fail, on_state=tape.on_state
        )
        with port:
            port.wait_open(5)
            far_end.send(b"x")
            wait_until(lambda: tape.count(PortState.CLOSED) == 1, "the end of the thread")
    finally:
        threading.excepthook = before
    assert tape.states[-1] == (PortState.CLOSED, "a callback failed: RuntimeError: no room")
    assert caught == ["no room"]


def test_read_bytes_arrive_whole_and_in_order(far_end: PtyPort) -> None:
    """Garbage of all byte values passes unchanged, stamped on the monotonic clock."""
    tape = Tape()
    sent = bytes(range(256)) * 40
    with reader(far_end.link, tape) as port:
        port.wait_open(5)
        before = time.monotonic_ns()
        for start in range(0, len(sent), 1024):
            far_end.send(sent[start : start + 1024])
            wait_until(
                lambda start=start: port.bytes_read >= min(start + 1024, len(sent)),  # type: ignore[misc]
                "bytes",
            )
        after = time.monotonic_ns()
    assert tape.data == sent
    times = [time_ns for _, time_ns, _ in tape.chunks]
    assert times == sorted(times)
    assert before <= times[0]
    assert times[-1] <= after
    assert {name for name, _, _ in tape.chunks} == {"gauge"}
    assert tape.threads == {"driver[gauge].read"}


def test_write_reaches_the_far_end(far_end: PtyPort, server: TcpServer) -> None:
    """Bytes go out over a terminal and over TCP."""
    with reader(far_end.link, Tape()) as port:
        port.wait_open(5)
        port.write(b"?\r\n")
        assert far_end.receive() == b"?\r\n"
    with reader(server.url, Tape()) as port:
        client = server.accept()
        port.wait_open(5)
        port.write(b"?\r\n")
        assert client.recv(10) == b"?\r\n"


def test_write_when_not_started_or_not_open_is_refused(tmp_path: Path) -> None:
    """A mistake of the caller and a missing port are different errors."""
    missing = tmp_path / "missing"
    port = reader(missing, Tape())
    with pytest.raises(DriverUsageError) as misuse:
        port.write(b"x")
    assert str(misuse.value) == ("the reader of 'gauge' is not started; start it before writing")
    with port, pytest.raises(PortError) as absent:
        port.write(b"x")
    assert str(absent.value) == f"port {missing}: is not open, nothing was written"


def test_missing_port_is_told_once_and_opened_when_it_comes(tmp_path: Path) -> None:
    """A port that is plugged in late is found; waiting for it makes no noise."""
    tape = Tape()
    link = tmp_path / "gauge"
    with reader(link, tape) as port:
        with pytest.raises(PortError) as caught:
            port.wait_open(0.3)
        assert str(caught.value) == (
            f"port {link}: does not exist; is the device plugged in and switched on?"
        )
        assert port.open_error is not None
        assert tape.count(PortState.LOST) == 1
        with PtyPort(link) as far_end:
            port.wait_open(5)
            assert port.open_error is None
            far_end.send(b"late")
            wait_until(lambda: tape.data == b"late", "bytes")


def test_port_replaced_under_the_same_name_is_opened_again(far_end: PtyPort) -> None:
    """Unplugged and plugged in again: noticed within a second, and read on."""
    tape = Tape()
    with reader(far_end.link, tape) as port:
        port.wait_open(5)
        far_end.send(b"before")
        wait_until(lambda: tape.data == b"before", "bytes")
        pulled = time.monotonic_ns()
        far_end.unplug()
        wait_until(lambda: tape.count(PortState.LOST) >= 1, "the loss")
        lost_at = tape.times[[state for state, _ in tape.states].index(PortState.LOST)]
        assert lost_at - pulled < 10 * 1_000_000_000
        far_end.plug()
        wait_until(lambda: tape.count(PortState.OPEN) == 2, "the return")
        far_end.send(b"after")
        wait_until(lambda: tape.data == b"beforeafter", "bytes")
        assert port.reconnects == 1
    assert (PortState.LOST, "is gone; was it unplugged or switched off?") in tape.states


def test_far_end_hung_up_is_noticed(far_end: PtyPort) -> None:
    """A terminal whose other end is closed, with its name still there, counts as lost."""
    tape = Tape()
    with reader(far_end.link, tape) as port:
        port.wait_open(5)
        far_end.hang_up()
        wait_until(lambda: tape.count(PortState.LOST) >= 1, "the loss")
        assert port.open_error is not None


def test_tcp_server_restarted_is_connected_again(server: TcpServer) -> None:
    """A server that goes and comes back is read on; what it sends at once is not lost."""
    tape = Tape()
    with reader(server.url, tape) as port:
        server.accept().sendall(b"x" * 5000)
        wait_until(lambda: port.bytes_read == 5000, "bytes sent at once")
        server.close()
        wait_until(lambda: tape.count(PortState.LOST) >= 2, "the refusal")
        server.listen()
        server.accept().sendall(b"back")
        wait_until(lambda: tape.data.endswith(b"back"), "bytes")
        assert port.reconnects >= 1
    details = [detail for state, detail in tape.states if state is PortState.LOST]
    assert details[0] == "the other end closed the connection"
    assert details[1] == "nothing listens there; is the server running, is the number right?"


def test_tcp_large_stream_arrives_in_large_chunks(server: TcpServer) -> None:
    """A megabyte is not read byte by byte."""
    tape = Tape()
    sent = random.Random(5).randbytes(1_000_000)
    with reader(server.url, tape) as port:
        server.accept().sendall(sent)
        wait_until(lambda: port.bytes_read == len(sent), "all bytes")
    assert tape.data == sent
    assert len(tape.chunks) < len(sent) / 1000


def test_busy_port_says_so(far_end: PtyPort) -> None:
    """A second reader of the same device is told that it is in use, and gets it later."""
    second = Tape()
    with reader(far_end.link, Tape()) as first:
        first.wait_open(5)
        with reader(far_end.link, second) as other:
            wait_until(lambda: second.count(PortState.LOST) == 1, "the refusal")
            assert second.states[-1] == (
                PortState.LOST,
                "is in use by another program; close that one",
            )
            first.close()
            other.wait_open(5)


def test_slow_taker_is_counted_and_loses_nothing(far_end: PtyPort) -> None:
    """Backpressure reaches the port; the count shows it."""
    tape = Tape()

    def slow(name: str, time_ns: int, data: bytes) -> None:
        time.sleep(0.08)
        tape.on_chunk(name, time_ns, data)

    port = PortReader(
        "gauge", PortSettings(url=str(far_end.link)), on_chunk=slow, on_state=tape.on_state
    )
    with port:
        port.wait_open(5)
        for _ in range(20):
            far_end.send(b"0123456789")
        wait_until(lambda: len(tape.data) == 200, "all bytes")
        wait_until(lambda: port.stalls >= 1, "a stall")


def test_wait_open_when_never_started_says_so(tmp_path: Path) -> None:
    """Without a reader there is no cause to report but that."""
    port = reader(tmp_path / "gauge", Tape())
    with pytest.raises(PortError) as caught:
        port.wait_open(0.01)
    assert caught.value.reason == "is not open after 0.01 s; is its reader started?"


def test_open_port_reads_without_a_thread(far_end: PtyPort, tmp_path: Path) -> None:
    """A quick check opens once, reads, and raises at once when it can't."""
    transport = open_port(PortSettings(url=str(far_end.link)))
    try:
        far_end.send(b"hello")
        assert transport.read() == b"hello"
        assert transport.read() == b""
    finally:
        transport.close()
        transport.close()
    with pytest.raises(PortError) as caught:
        open_port(PortSettings(url=str(tmp_path / "missing")))
    assert caught.value.port == str(tmp_path / "missing")
