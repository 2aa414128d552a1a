"""Responses of a Modbus device in a stream that is cut anywhere and may hold garbage."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from swathe_drivers.rtu import EXCEPTION, crcs

READS: Final = frozenset({3, 4})
_WRITES: Final = frozenset({6, 16})
_SHORTEST: Final = 5


@dataclass(frozen=True, slots=True)
class Garbage:
    """Bytes that are no frame."""

    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Response:
    """A frame with the correct checksum; `raw` is all of it."""

    offset: int
    raw: bytes

    @property
    def registers(self) -> list[int]:
        """Registers that a response to a read carries."""
        data = self.raw[3:-2]
        return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]

    @property
    def exception_code(self) -> int | None:
        """Code of an exception response; None for any other."""
        return self.raw[2] if self.raw[1] & EXCEPTION else None


class ResponseReader:
    """Finds the responses of one device."""

    def __init__(self, unit: int) -> None:
        self._unit = unit
        self._buffer = bytearray()
        self._offset = 0  # of the buffer's first byte in the stream

    def feed(self, data: bytes, counts: Collection[int]) -> list[Response | Garbage]:
        """Read the next bytes.

        Args:
            data: the bytes.
            counts: numbers of data bytes that the reads under way will be answered with; a
                header that promises another number is garbage, and not waited for.
        """
        self._buffer += data
        found: list[Response | Garbage] = []
        skipped = 0
        while len(self._buffer) - skipped >= _SHORTEST:
            size = self._size(skipped, counts)
            if size is not None and len(self._buffer) - skipped < size:
                break
            response = self._response(skipped, size) if size is not None else None
            if response is None:
                skipped += 1
                continue
            found += self._drop(skipped)
            skipped = 0
            found.append(response)
            del self._buffer[: len(response.raw)]
            self._offset += len(response.raw)
        return found + self._drop(skipped)

    def reset(self, offset: int | None = None) -> list[Garbage]:
        """Give up what has begun; the stream continues at byte `offset`."""
        found = self._drop(len(self._buffer))
        if offset is not None:
            self._offset = offset
        return found

    def _drop(self, size: int) -> list[Garbage]:
        if not size:
            return []
        garbage = Garbage(self._offset, bytes(self._buffer[:size]))
        del self._buffer[:size]
        self._offset += size
        return [garbage]

    def _size(self, at: int, counts: Collection[int]) -> int | None:
        """Length of the frame that may begin there; None if none can."""
        unit, function, third = self._buffer[at : at + 3]
        if unit != self._unit:
            return None
        if function & EXCEPTION:
            return _SHORTEST if function & ~EXCEPTION in READS | _WRITES else None
        if function in _WRITES:
            return 8
        if function in READS and third in counts:
            return _SHORTEST + third
        return None

    def _response(self, at: int, size: int) -> Response | None:
        raw = bytes(self._buffer[at : at + size])
        carried, computed = crcs(raw)
        return Response(self._offset + at, raw) if carried == computed else None
