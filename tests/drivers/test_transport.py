"""Settings of ports, and ports that are no local device."""

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial
import serial.rfc2217

from drivers.doubles import wait_until
from swathe_drivers import transport as transport_module
from swathe_drivers.errors import SettingsError
from swathe_drivers.settings import read_settings
from swathe_drivers.transport import PortSettings, SerialTransport, open_transport


@pytest.mark.parametrize(
    ("table", "ns"),
    [
        ({"url": "/dev/ttyUSB0"}, 86_806),
        ({"url": "COM3", "baud": 9600}, 1_041_667),
        ({"url": "COM3", "baud": 9600, "bytesize": 7, "parity": "even", "stopbits": 2}, 1_145_833),
        ({"url": "rfc2217://host:4000", "baud": 9600}, 1_041_667),
        ({"url": "socket://host:4000"}, 0),
    ],
)
def test_ns_per_byte_counts_start_data_parity_and_stop_bits(
    table: dict[str, object], ns: int
) -> None:
    """10 bits at 115200 baud take 86.8 µs; nothing is known of the line behind a TCP stream."""
    assert PortSettings.model_validate(table).ns_per_byte == ns


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({}, "'device.gauge.port.url' must be given"),
        ({"url": ""}, "'device.gauge.port.url' must have at least 1 character(s) (got '')"),
        (
            {"url": "http://host:1"},
            ("'device.gauge.port.url' must be a device or begin with socket:// or rfc2217://; a port is COM3,"
                " /dev/ttyUSB0, usb:SERIAL (see `swathe ports`), socket://HOST:PORT, rfc2217://HOST:PORT or"
                " capture:FILE"
            " (got 'http://host:1')"),
        ),
        *(
            (
                {"url": url},
                ("'device.gauge.port.url' must name a host and a port number from 1 to 65535"
                f" (got '{url}')"),
            )
            for url in ("socket://host", "socket://:80", "socket://host:0", "rfc2217://h:65536")
        ),
        ({"url": "COM3", "baud": 1}, "'device.gauge.port.baud' must be >= 50 (got 1)"),
        (
            {"url": "COM3", "parity": "E"},
            ("'device.gauge.port.parity' must be 'none', 'even', 'odd', 'mark' or 'space'"
            " (got 'E')"),
        ),
        (
            {"url": "COM3", "baudrate": 1},
            "'device.gauge.port.baudrate' must be left out: there is no such setting (got 1)",
        ),
    ],
)  # fmt: skip
def test_settings_with_mistake_say_key_requirement_and_value(
    table: dict[str, object], message: str
) -> None:
    """A port's settings fail before it is opened."""
    with pytest.raises(SettingsError) as caught:
        read_settings(PortSettings, table, key="device.gauge.port")
    assert str(caught.value) == message


def test_host_and_port_of_ipv6_address() -> None:
    """The brackets of an IPv6 address are no part of it."""
    assert PortSettings(url="socket://[::1]:4000").host_and_port == ("::1", 4000)


def test_loop_port_reads_back_what_is_written() -> None:
    """A port without a descriptor to wait on is read by the library's own means."""
    transport = open_transport(PortSettings(url="loop://"))
    assert isinstance(transport, SerialTransport)
    try:
        assert transport.read() == b""
        transport.write(b"hello")
        found = b""
        while len(found) < 5:
            found += transport.read()
        assert found == b"hello"
    finally:
        transport.close()


class _Connection:
    """What the server side of RFC 2217 writes its answers to."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client

    def write(self, data: bytes) -> None:
        self._client.sendall(data)


@contextmanager
def serial_server() -> Iterator[str]:
    """A serial port shared by RFC 2217, by pyserial's own server side; it echoes."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(10)

    def serve() -> None:
        try:
            client, _ = listener.accept()
        except OSError:
            return  # nobody came
        with client, serial.serial_for_url("loop://", timeout=0) as port:
            manager = serial.rfc2217.PortManager(port, _Connection(client))  # type: ignore[arg-type]
            while True:
                try:
                    data = client.recv(1024)
                except ConnectionResetError:
                    return
                if not data:
                    return
                echo = b"".join(manager.filter(data))
                if echo == b"quit":
                    return
                with contextlib.suppress(ConnectionError):  # closed while much of it waited
                    client.sendall(b"".join(manager.escape(echo)))

    thread = threading.Thread(target=serve, name="serial server")
    thread.start()
    try:
        yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.close()
        thread.join(10)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # by pyserial
def test_rfc2217_port_reads_writes_and_notices_the_end() -> None:
    """A serial port of another computer works like one of this, down to its loss."""
    with serial_server() as url:
        transport = open_transport(PortSettings(url=url, baud=9600))
        found = bytearray()
        try:
            transport.write(b"12.5\r\n\xff")

            def echoed() -> bool:
                found.extend(transport.read())
                return bytes(found) == b"12.5\r\n\xff"

            wait_until(echoed, "the echo")
            transport.write(b"quit")

            def lost() -> bool:
                try:
                    transport.read()
                except OSError:
                    return True
                return False

            wait_until(lost, "the loss")
        finally:
            transport.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # by pyserial
def test_rfc2217_port_that_nobody_reads_holds_its_peer_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits is bounded, nothing of it is lost, and the port closes while it is full."""
    monkeypatch.setattr(transport_module, "_MOST_QUEUED", 1000)
    sent = bytes(range(250)) * 20
    with serial_server() as url:
        before = set(threading.enumerate())
        transport = open_transport(PortSettings(url=url, baud=9600))
        assert isinstance(transport, SerialTransport)
        waiting = transport._queue
        assert waiting is not None
        try:
            transport.write(sent)
            wait_until(waiting.full, "a full queue")
            assert waiting.qsize() == 1000
            found = bytearray()

            def all_read() -> bool:
                found.extend(transport.read())
                return len(found) >= len(sent)

            wait_until(all_read, "the rest")
            assert found == sent
            transport.write(sent)
            wait_until(waiting.full, "a full queue once more")
            (thread,) = set(threading.enumerate()) - before
        finally:
            transport.close()
        assert not thread.is_alive()
