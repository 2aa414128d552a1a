"""One open port: a serial device, a TCP stream, a serial port behind RFC 2217, or a capture."""

import errno
import os
import queue
import re
import select
import socket
import sys
import time
from typing import Final, Literal, Protocol

import serial
from pydantic import BaseModel, ConfigDict, Field, field_validator

from swathe_drivers.capture import CAPTURE, CaptureError, CaptureTransport, split_url
from swathe_drivers.errors import PortError
from swathe_drivers.failures import PORT_ERRORS, explain
from swathe_drivers.ports import USB, device_of
from swathe_drivers.settings import problem

READ_TIMEOUT: Final = 0.05
"""Seconds after which a read without bytes returns, so that closing is prompt."""

WRITE_TIMEOUT: Final = 1.0
"""Seconds within which the port must take what is written."""

CONNECT_TIMEOUT: Final = 5.0
"""Seconds within which a TCP server must answer; closing may have to wait as long."""

_KEEP_ALIVE: Final = {"TCP_KEEPIDLE": 5, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3}
"""A silent connection is asked after 5 s and given up 6 s later."""

_READ_SIZE: Final = 65536
_MOST_QUEUED: Final = 1 << 20  # bytes, of which each takes as much as a pointer

_SCHEMES: Final = ("socket://", "rfc2217://", "loop://")

_KINDS: Final = (
    "a port is COM3, /dev/ttyUSB0, usb:SERIAL (see `swathe ports`), socket://HOST:PORT,"
    " rfc2217://HOST:PORT or capture:FILE"
)
_HOST_AND_NUMBER: Final = re.compile(r"(?!usb:|capture:|COM\d)[\w-]+(\.[\w-]+)*:\d{1,5}", re.ASCII)


def _host_and_number(url: str) -> tuple[str, str, str]:
    return url.split("://", 1)[1].split("?", maxsplit=1)[0].rstrip("/").rpartition(":")


class SerialSettings(BaseModel):
    """How bytes go over a serial line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    baud: int = Field(default=115200, ge=50, le=12_000_000)
    bytesize: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stopbits: Literal[1, 2] = 1
    xonxoff: bool = False
    """Software flow control; swallows the bytes 0x11 and 0x13."""
    rtscts: bool = False
    """Hardware flow control."""


class PortSettings(SerialSettings):
    """How to open a port.

    `url` is a device (`/dev/ttyUSB0`, `COM3`), a device by its USB serial number
    (`usb:SERIAL`, `usb:SERIAL:INTERFACE`), `socket://host:port`, `rfc2217://host:port`, or a
    capture in place of a port (`capture:PATH`, `capture:PATH?pace=fast`).
    """

    url: str = Field(min_length=1)

    @field_validator("url")
    @classmethod
    def _check_url(cls, url: str) -> str:
        if "://" in url and not url.startswith(_SCHEMES):
            raise problem(f"must be a device or begin with socket:// or rfc2217://; {_KINDS}")
        if _HOST_AND_NUMBER.fullmatch(url):
            raise problem(
                f"must say how the host is reached: socket://{url} for a TCP stream; {_KINDS}"
            )
        if url.startswith(("socket://", "rfc2217://")):
            host, _, number = _host_and_number(url)
            if not host or not number.isdecimal() or not 0 < int(number) < 2**16:
                raise problem("must name a host and a port number from 1 to 65535")
        if url.startswith(CAPTURE):
            try:
                split_url(url)
            except ValueError as error:
                raise problem(str(error)) from None
        if url == USB:
            raise problem("must name a USB serial number; `swathe ports` lists them")
        return url

    @property
    def host_and_port(self) -> tuple[str, int]:
        """Host and port number of a network port."""
        host, _, number = _host_and_number(self.url)
        return host.strip("[]"), int(number)

    @property
    def is_local(self) -> bool:
        """The port is a device of this computer."""
        return "://" not in self.url and not self.is_capture

    @property
    def is_capture(self) -> bool:
        """The bytes come out of a file."""
        return self.url.startswith(CAPTURE)

    @property
    def may_be_shared(self) -> bool:
        """Another process can write to the port while it is open: see `motion.StopGuard`."""
        local = self.is_local or self.url.startswith("socket://")
        return local and sys.platform != "win32" and hasattr(socket, "send_fds")

    @property
    def ns_per_byte(self) -> int:
        """Time that a byte takes on the line, ns: start bit, data, parity, stop bits.

        0 for a TCP stream, where the rate of the line behind it is unknown.
        """
        if self.url.startswith(("socket://", "loop://")):
            return 0
        bits = 1 + self.bytesize + (self.parity != "none") + self.stopbits
        return round(bits * 1e9 / self.baud)


class Transport(Protocol):
    """An open port.

    Opening, reading and writing may raise anything in `failures.PORT_ERRORS`.
    """

    @property
    def arrived(self) -> int:
        """Time at which the last read returned bytes, host's monotonic clock, ns."""
        ...

    @property
    def descriptor(self) -> int | None:
        """Descriptor of the open port; None where there is none that bytes can be written to."""
        ...

    def read(self, patience: float = READ_TIMEOUT) -> bytes:
        """Bytes as soon as there are any; none after `patience` seconds without.

        Where a port can't wait for another time (Windows, RFC 2217), it waits `READ_TIMEOUT`.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send all bytes within `WRITE_TIMEOUT`."""
        ...

    def write_some(self, data: bytes) -> int:
        """Send what the port takes at once and return how many bytes that was.

        Where a port can't know (Windows, RFC 2217), it is all of them, as `write` does it.
        """
        ...

    def discard_output(self) -> bool:
        """Take back what is not on the line yet; return whether there was, or may have been, any."""
        ...

    def close(self) -> None:
        """Close the port, whatever state it is in; raises nothing."""
        ...


class SerialTransport:
    """A serial port of this computer or behind RFC 2217."""

    def __init__(self, settings: PortSettings) -> None:
        # Where there is a descriptor to wait on, one read takes all there is.
        self._can_select = settings.is_local and sys.platform != "win32"
        self.arrived = 0
        self._port = serial.serial_for_url(
            settings.url,
            baudrate=settings.baud,
            bytesize=settings.bytesize,
            parity=settings.parity[0].upper(),
            stopbits=settings.stopbits,
            xonxoff=settings.xonxoff,
            rtscts=settings.rtscts,
            timeout=0 if self._can_select else READ_TIMEOUT,
            # pyserial knows no write timeout over RFC 2217 and refuses one.
            write_timeout=None if settings.url.startswith("rfc2217://") else WRITE_TIMEOUT,
            exclusive=True if settings.is_local else None,
        )
        self._descriptor = self._port.fileno() if self._can_select else -1
        # Over RFC 2217 pyserial reads in a thread of its own, into a queue of bytes without an end.
        found = getattr(self._port, "_read_buffer", None)
        self._queue: queue.Queue[bytes] | None = found if isinstance(found, queue.Queue) else None
        if self._queue is not None:
            self._queue.maxsize = _MOST_QUEUED

    @property
    def descriptor(self) -> int | None:
        """Descriptor of a serial port of this computer; none on Windows and behind RFC 2217."""
        return self._descriptor if self._can_select else None

    def read(self, patience: float = READ_TIMEOUT) -> bytes:
        """Bytes as soon as there are any."""
        data = self._read(patience)
        if data:
            self.arrived = time.monotonic_ns()
        return data

    def _read(self, patience: float) -> bytes:
        if self._can_select:
            ready, _, _ = select.select([self._descriptor], [], [], patience)
            return self._read_all() if ready else b""
        data = self._port.read(1)
        if data:
            waiting = self._port.in_waiting
            if waiting:
                data += self._port.read(waiting)
        return data

    def _read_all(self) -> bytes:
        """Bytes that have arrived, without pyserial, whose read waits and reads twice."""
        try:
            data = os.read(self._descriptor, _READ_SIZE)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        # A port that is gone: pyserial raises what `failures` puts into words.
        return data or self._port.read(_READ_SIZE)

    def write(self, data: bytes) -> None:
        """Send all bytes."""
        self._port.write(data)

    def write_some(self, data: bytes) -> int:
        """Send what the port takes at once."""
        if not self._can_select:
            self._port.write(data)
            return len(data)
        try:
            return os.write(self._port.fileno(), data)  # pyserial opened it without blocking
        except BlockingIOError:
            return 0

    def discard_output(self) -> bool:
        """Take back what is not on the line yet."""
        try:
            waiting = self._port.out_waiting > 0
        except PORT_ERRORS:
            waiting = False
        except AttributeError:  # not known to this kind of port
            waiting = False
        if self._can_select and not waiting:
            # A pseudo-terminal reports no byte that waits, only that it takes no more.
            waiting = not select.select([], [self._port.fileno()], [], 0)[1]
        if waiting:
            self._port.reset_output_buffer()
        return waiting

    def close(self) -> None:
        """Close the port."""
        if self._queue is not None:
            with self._queue.mutex:  # its thread may wait for space
                self._queue.maxsize = sys.maxsize
                self._queue.not_full.notify_all()
        try:
            self._port.close()
        except PORT_ERRORS:
            # It is gone already; there is nothing left to close.
            return


class TcpTransport:
    """A TCP stream.

    Not pyserial's `socket://`, though it has the same address: that one throws away what the
    other end sends at once after the connection, and reads byte by byte.
    """

    def __init__(self, settings: PortSettings) -> None:
        host, port = settings.host_and_port
        self.arrived = 0
        self._socket = socket.create_connection((host, port), timeout=CONNECT_TIMEOUT)
        try:
            self._socket.settimeout(WRITE_TIMEOUT)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # A cable pulled at the other end is silent; only keep-alive notices.
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            for option, value in _KEEP_ALIVE.items():
                if hasattr(socket, option):
                    self._socket.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
        except OSError:
            self._socket.close()
            raise

    @property
    def descriptor(self) -> int | None:
        """Descriptor of the connection; none on Windows, where it is no file."""
        return self._socket.fileno() if sys.platform != "win32" else None

    def read(self, patience: float = READ_TIMEOUT) -> bytes:
        """Bytes as soon as there are any."""
        ready, _, _ = select.select([self._socket], [], [], patience)
        if not ready:
            return b""
        data = self._socket.recv(_READ_SIZE)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        self.arrived = time.monotonic_ns()
        return data

    def write(self, data: bytes) -> None:
        """Send all bytes."""
        self._socket.sendall(data)

    def write_some(self, data: bytes) -> int:
        """Send what the connection takes at once."""
        _, ready, _ = select.select([], [self._socket], [], 0)
        return self._socket.send(data) if ready else 0

    def discard_output(self) -> bool:
        """Nothing can be taken back from a stream."""
        return False

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


def open_transport(settings: PortSettings) -> Transport:
    """Open the port that the settings name.

    Raises:
        OSError, ValueError: and whatever else is in `failures.PORT_ERRORS`; `failures.explain`
            puts it into words.
    """
    if settings.is_capture:
        return _open_capture(settings.url)
    if settings.url.startswith("socket://"):
        return TcpTransport(settings)
    if settings.url.startswith(USB):
        return _open_usb(settings)
    return SerialTransport(settings)


def _open_capture(url: str) -> Transport:
    try:
        return CaptureTransport(url, patience=READ_TIMEOUT)
    except CaptureError as error:
        raise PortError(url, error.reason) from error


def _open_usb(settings: PortSettings) -> Transport:
    """Open a port by its USB serial number; an error names its device."""
    device = device_of(settings.url)
    try:
        return SerialTransport(settings.model_copy(update={"url": device}))
    except PORT_ERRORS as error:
        reason = f"is {device} now, which {explain(device, error).reason}"
        raise PortError(settings.url, reason) from error
