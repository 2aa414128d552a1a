"""Driver for encoders, counters and gauges that are asked for their Modbus registers.

RTU on a serial line or behind a server that passes its bytes on, or TCP. The driver asks by
itself, in the rhythm that its settings tell; see `ModbusSettings`.
"""

from collections.abc import Callable
from typing import ClassVar

from pydantic import BaseModel

from swathe_drivers.modbus.decoder import ModbusDecoder
from swathe_drivers.modbus.framer import (
    LONGEST_FRAME,
    Candidate,
    RtuFramer,
    TcpFramer,
    transaction_bits,
)
from swathe_drivers.modbus.settings import ModbusSettings, count_of, first_of
from swathe_drivers.rtu import with_crc
from swathe_drivers.talk.answers import AnswerFinder
from swathe_drivers.talk.schedule import Request
from swathe_drivers.units import nanoseconds

__all__ = ["ModbusDecoder", "ModbusDriver", "ModbusSettings"]


class ModbusDriver:
    """Driver for devices with Modbus registers."""

    Settings: ClassVar[type[BaseModel]] = ModbusSettings

    def __init__(self, settings: ModbusSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def decoder(self, *, ns_per_byte: int) -> ModbusDecoder:
        """A new decoder for one port whose bytes take `ns_per_byte` ns each on the line."""
        return ModbusDecoder(self._settings, ns_per_byte=ns_per_byte)

    def requests(self) -> list[Request]:
        """A request for each of the reads."""
        known = self._settings
        return [
            Request(
                self._make(index),
                round(nanoseconds(read.every or known.every)),
                numbered=known.framing == "tcp",
            )
            for index, read in enumerate(known.reads)
        ]

    @property
    def longest_answer(self) -> int:
        """The most bytes of an answer."""
        return LONGEST_FRAME

    def answers(self) -> AnswerFinder:
        """The finder of the answer that belongs to the last request."""
        return _AnswerFinder(self._settings)

    def _make(self, index: int) -> Callable[[int], bytes]:
        read = self._settings.reads[index]
        unit, function, _ = self._settings.key_of(read)
        asked = first_of(read).to_bytes(2, "big") + count_of(read).to_bytes(2, "big")
        message = bytes([unit, function]) + asked
        bits = transaction_bits(len(self._settings.reads))

        def rtu(_number: int) -> bytes:
            return with_crc(message)

        def tcp(number: int) -> bytes:
            transaction = (number << bits | index) & 0xFFFF
            return transaction.to_bytes(2, "big") + b"\0\0" + b"\0\6" + message

        return rtu if self._settings.framing == "rtu" else tcp


class _AnswerFinder:
    """An answer to the last request, or an exception; over TCP, of the same transaction.

    On a serial line an answer whose CRC is wrong is complete as well once all of its bytes are there,
    by its first three: no time-out is waited for.
    """

    settles_at: int | None = None

    def __init__(self, settings: ModbusSettings) -> None:
        self._tcp = settings.framing == "tcp"
        self._keys = [settings.key_of(read) for read in settings.reads]
        self.begin(b"")

    def begin(self, request: bytes) -> None:
        """What came before answers something else."""
        self._framer = (TcpFramer if self._tcp else RtuFramer)(self._keys, ns_per_byte=0)
        self._number = self._framer.number_of(request)
        self._first = b""

    def feed(self, data: bytes, time_ns: int) -> bool:
        """Whether one came that fits."""
        self._first += data[: LONGEST_FRAME - len(self._first)]
        if self._framer.feed_chunks([(time_ns, data)]) is not None and any(
            self._fits(answer) for answer in self._framer.answers
        ):
            return True
        return not self._tcp and self._is_whole(self._first)

    def _is_whole(self, first: bytes) -> bool:
        """Return whether what came behind the request is as long as its header makes it."""
        answer = self._framer.candidate(first[: self._framer.header])
        return answer is not None and self._fits(answer) and len(first) >= answer.size

    def _fits(self, answer: Candidate) -> bool:
        # An exception of RTU does not say how many registers were asked for.
        return answer.request == self._number or (answer.read < 0 and not self._tcp)
