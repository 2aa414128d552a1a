r"""Captures: the bytes of a port in a file, with the times at which they came.

A capture is a text file of JSON lines, so that it can be looked at, cut and mailed with what is
at hand, and read by ten lines of any language. The first line describes the port, each line
behind it is one chunk as the reader handed it over, or a change of the port's state::

    {"capture": 1, "url": "/dev/ttyUSB0", "settings": {"baud": 9600}, "began": "2025-01-31T..."}
    {"at": 0, "state": "open", "detail": "/dev/ttyUSB0 is open"}
    {"at": 12034567, "text": "R,12.34\r\n"}
    {"at": 22034891, "base64": "AAEC/w=="}

`at` is in ns since the capture began. A chunk is stored as text when it is nothing but ASCII
(what a device that sends lines takes is little more than what it sent), otherwise in base64.
Every line is handed to the system at once: what a crash tears is the last line only, and what is
whole before it reads back. (Not the journal's container: that one is made for a night of many
ports, needs a library to be looked into, and loses its last compressed chunk.)
"""

import base64
import binascii
import json
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TextIO

from swathe_drivers.errors import DriverError, DriverUsageError
from swathe_drivers.lifecycle import Closing

CAPTURE: Final = "capture:"
"""How the address of a capture in place of a port begins."""

_VERSION: Final = 1
_READABLE: Final = re.compile(rb"[\t\r\n\x20-\x7e]*")
_PACES: Final = {"": False, "pace=original": False, "pace=fast": True}
_LONGEST_LINE: Final = 1 << 24
_LATEST_NS: Final = 1 << 62  # 146 years: added to the host's clock it is still an int64


class CaptureError(DriverError):
    """A file is no capture, or can't be read or written.

    Attributes:
        path: the file.
        reason: what is wrong, a sentence without the path.
    """

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(path, reason)
        self.path = path
        self.reason = reason

    def __str__(self) -> str:
        return f"capture {self.path}: {self.reason}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What a capture states of its port.

    Attributes:
        url: the port's address.
        settings: of the line, as `SerialSettings` has them (baud, parity, ...).
        description: text of the protocol description that was in use; empty without one.
        began: UTC time of `at` = 0, ISO 8601.
    """

    url: str
    settings: dict[str, Any] = field(default_factory=dict)
    description: str = ""
    began: str = ""


@dataclass(frozen=True, slots=True)
class CapturedChunk:
    """Bytes that arrived `at` ns after the capture began."""

    at: int
    data: bytes


@dataclass(frozen=True, slots=True)
class CapturedState:
    """The port's state changed `at` ns after the capture began."""

    at: int
    state: str
    detail: str


class CaptureWriter(Closing):
    """Writes a capture; a context manager. Not thread-safe: one thread hands it all it gets.

    Args:
        path: the file to make; one that is there already is refused.
        header: of the port.
        start_ns: monotonic time of the beginning, ns.

    Raises:
        CaptureError: the file exists, or can't be made; name another.
    """

    def __init__(self, path: Path, header: CaptureHeader, *, start_ns: int) -> None:
        self.path: Final = path
        self._start = start_ns
        self.bytes = 0
        self.chunks = 0
        began = header.began or datetime.now(UTC).isoformat(timespec="milliseconds")
        try:
            self._stream: TextIO | None = path.open("x", encoding="utf-8", newline="\n")
        except FileExistsError:
            raise CaptureError(path, "exists already; name another file") from None
        except OSError as error:
            raise CaptureError(path, f"can't be made: {error.strerror}") from error
        line: dict[str, Any] = {"capture": _VERSION, "url": header.url}
        line |= {"settings": header.settings, "began": began}
        if header.description:
            line["description"] = header.description
        self._write(line)

    def chunk(self, time_ns: int, data: bytes) -> None:
        """Append bytes that arrived at `time_ns`.

        Raises:
            CaptureError: the disk is full or absent; what was written before reads back.
            DriverUsageError: the capture is closed.
        """
        line: dict[str, Any] = {"at": time_ns - self._start}
        if _READABLE.fullmatch(data):
            line["text"] = data.decode("ascii")
        else:
            line["base64"] = base64.b64encode(data).decode("ascii")
        self._write(line)
        self.bytes += len(data)
        self.chunks += 1

    def state(self, time_ns: int, state: str, detail: str) -> None:
        """Append a change of the port's state; raises as `chunk`."""
        self._write({"at": time_ns - self._start, "state": state, "detail": detail})

    def _write(self, line: dict[str, Any]) -> None:
        if self._stream is None:
            message = f"the capture {self.path} is closed; write before it is"
            raise DriverUsageError(message)
        try:
            self._stream.write(json.dumps(line, separators=(", ", ": ")) + "\n")
            self._stream.flush()
        except OSError as error:
            raise CaptureError(self.path, f"can't be written: {error.strerror}") from error

    def close(self) -> None:
        """Close the file; harmless twice."""
        if self._stream is not None:
            stream, self._stream = self._stream, None
            try:
                stream.close()
            except OSError as error:
                raise CaptureError(self.path, f"can't be written: {error.strerror}") from error


class CaptureReader(Closing):
    """Reads a capture from its beginning; a context manager, and an iterator once entered.

    Attributes:
        header: what the capture states of its port.
        torn: what ended the reading before the end of the file; empty as long as nothing did.

    Raises:
        CaptureError: there is no such file or it is no capture; check the path.
    """

    def __init__(self, path: Path) -> None:
        self.path: Final = path
        self.torn = ""
        self._number = 1
        try:
            self._stream = path.open("rb")
        except FileNotFoundError:
            raise CaptureError(path, "there is no such file; check the path") from None
        except OSError as error:
            raise CaptureError(path, f"can't be read: {error.strerror}") from error
        try:
            self.header: Final = self._read_header()
        except CaptureError:
            self._stream.close()
            raise

    def _read_header(self) -> CaptureHeader:
        try:
            found = json.loads(self._stream.readline(_LONGEST_LINE))
            version = found["capture"]
            header = CaptureHeader(
                url=str(found["url"]),
                settings=dict(found.get("settings", {})),
                description=str(found.get("description", "")),
                began=str(found.get("began", "")),
            )
        except (ValueError, TypeError, KeyError, RecursionError):
            reason = "is no capture: its first line is no JSON object with 'capture' and 'url'"
            raise CaptureError(self.path, reason) from None
        if version != _VERSION:
            reason = f"is a capture of version {version!r}, this reads version {_VERSION}"
            raise CaptureError(self.path, reason)
        return header

    def __iter__(self) -> Iterator[CapturedChunk | CapturedState]:
        """Chunks and states in the order of the file, up to the last whole one."""
        while line := self._stream.readline(_LONGEST_LINE):
            self._number += 1
            if not line.endswith(b"\n"):
                self.torn = f"its last line, {self._number}, is torn off and left out"
                return
            try:
                yield _entry(json.loads(line))
            except (ValueError, TypeError, KeyError, RecursionError, binascii.Error) as error:
                self.torn = (
                    f"line {self._number} is damaged, it and what is behind it are left out:"
                    f" {type(error).__name__}: {error}"
                )
                return

    def chunks(self) -> Iterator[CapturedChunk]:
        """The chunks only."""
        return (entry for entry in self if isinstance(entry, CapturedChunk))

    def close(self) -> None:
        """Close the file; harmless twice."""
        self._stream.close()


def _entry(found: dict[str, Any]) -> CapturedChunk | CapturedState:
    at = found["at"]
    if not isinstance(at, int):
        message = f"'at' must be an integer (got {at!r})"
        raise TypeError(message)
    if not 0 <= at < _LATEST_NS:
        message = f"'at' must be from 0 to {_LATEST_NS} ns (got {at!r})"
        raise ValueError(message)
    if "state" in found:
        return CapturedState(at, str(found["state"]), str(found["detail"]))
    if "text" in found:
        return CapturedChunk(at, str(found["text"]).encode("latin-1"))
    return CapturedChunk(at, base64.b64decode(found["base64"], validate=True))


def split_url(url: str) -> tuple[Path, bool]:
    """Path of a `capture:` address, and whether it is read as fast as it is taken.

    Raises:
        ValueError: what is behind the question mark is not known; its text names what is.
    """
    path, _, query = url.removeprefix(CAPTURE).partition("?")
    if not path or query not in _PACES:
        message = "must be capture:PATH, capture:PATH?pace=original or capture:PATH?pace=fast"
        raise ValueError(message)
    return Path(path), _PACES[query]


class CaptureEndError(Exception):
    """A replayed capture has no more bytes; its text names what was left out."""


class CaptureTransport:
    """A capture in place of a port, from its first chunk to its last.

    Chunks are stamped with the times between them in the capture, whatever the pace.
    What is written to it goes nowhere: the answers are in the capture already.
    """

    def __init__(self, url: str, *, patience: float) -> None:
        """Open the capture; a read without bytes returns after `patience` seconds."""
        path, self._fast = split_url(url)
        self._patience = patience
        self._reader = CaptureReader(path)
        self._chunks = self._reader.chunks()
        self._next = next(self._chunks, None)
        first = self._next.at if self._next is not None else 0
        self._base = time.monotonic_ns() - first
        self._arrived = 0

    @property
    def arrived(self) -> int:
        """Time of the chunk that was read last on the host's monotonic clock, ns."""
        return self._arrived

    def read(self, patience: float | None = None) -> bytes:
        """The next chunk when its time has come, or none after `patience` seconds.

        Raises:
            CaptureEndError: there is none.
        """
        chunk = self._next
        if chunk is None:
            torn = f"; {self._reader.torn}" if self._reader.torn else ""
            message = f"end of the capture{torn}"
            raise CaptureEndError(message)
        due = self._base + chunk.at
        patience = self._patience if patience is None else patience
        if not self._fast:
            wait = (due - time.monotonic_ns()) / 1e9
            time.sleep(max(0.0, min(wait, patience)))
            if wait > patience:
                return b""
        self._arrived = due
        self._next = next(self._chunks, None)
        return chunk.data

    def write(self, data: bytes) -> None:
        """Take bytes and send them nowhere."""

    def write_some(self, data: bytes) -> int:
        """Take bytes and send them nowhere."""
        return len(data)

    @property
    def descriptor(self) -> int | None:
        """None: nothing can be written to it."""
        return None

    def discard_output(self) -> bool:
        """Nothing waits to be sent."""
        return False

    def close(self) -> None:
        """Close the file."""
        self._reader.close()
