"""Which registers a Modbus device has, found by requests that read them; nothing is written to it.

Requests are those of functions 3 and 4 (MODBUS Application Protocol Specification V1.1b3, 6.3, 6.4). An answer
with an exception shows that the unit is there, exception 2 that it has no such register.
"""

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.modbus.settings import FUNCTIONS, MOST_REGISTERS
from swathe_drivers.rtu import EXCEPTION, crcs, with_crc
from swathe_drivers.transport import Transport

__all__ = ["RegisterAnswer", "RegisterRange", "RegisterSamples", "RegisterScanner"]

RegisterFraming = Literal["rtu", "tcp"]

_QUIET_S: Final = 0.004  # between two requests of RTU: 3.5 characters at 9600 baud
_FIRST: Final = 160
_BASES: Final = (
    *range(_FIRST, 1100, 10),
    *range(256, 4097, 16),
    *range(1000, 10001, 100),
    *range(4096, 65536, 4096),
    *(20000, 29999, 30000, 30001, 39999, 40000, 40001, 40100, 49999, 50000),
)
"""Registers at which manuals let something begin (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RegisterAnswer:
    """What came back.

    Attributes:
        values: of the registers; empty for an exception.
        exception: its code; 0 where there are values.
    """

    values: tuple[int, ...]
    exception: int = 0


@dataclass(frozen=True, slots=True)
class RegisterRange:
    """Registers that can be read in one request."""

    registers: Literal["holding", "input"]
    first: int
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class RegisterSamples:
    """One range, read again and again.

    Attributes:
        range: which.
        values: shape (n, registers), as unsigned numbers of 16 bits.
        times: when each answer came, ns of the host's monotonic clock, shape (n,).
    """

    range: RegisterRange
    values: NDArray[np.uint16]
    times: NDArray[np.int64]


class RegisterScanner:
    """Reads registers over an open port.

    Args:
        transport: the port.
        framing: as of the driver.
        timeout: for an answer, s.
        quiet: between an answer and the next request of RTU, s.
    """

    def __init__(
        self,
        transport: Transport,
        framing: RegisterFraming,
        *,
        timeout: float = 0.25,
        quiet: float = _QUIET_S,
    ) -> None:
        self._transport = transport
        self._tcp = framing == "tcp"
        self._timeout = timeout
        self._quiet = quiet
        self._number = 0

    def ask(self, unit: int, function: int, first: int, count: int) -> RegisterAnswer | None:
        """Read registers; None without an answer in time."""
        message = bytes([unit, function]) + first.to_bytes(2, "big") + count.to_bytes(2, "big")
        while self._transport.read(0.0):
            pass  # what came late belongs to an earlier request
        self._number = (self._number + 1) & 0xFFFF
        head = self._number.to_bytes(2, "big") + b"\0\0\0\6"
        self._transport.write(head + message if self._tcp else with_crc(message))
        end = time.monotonic() + self._timeout
        received = b""
        while (left := end - time.monotonic()) > 0:
            received += self._transport.read(left)
            answer = self._answer_in(received, unit, function, count)
            if answer is not None:
                if not self._tcp:
                    time.sleep(self._quiet)
                return answer
        return None

    def _answer_in(
        self, received: bytes, unit: int, function: int, count: int
    ) -> RegisterAnswer | None:
        for at in range(len(received)):
            frame = received[at:]
            if self._tcp:
                if frame[:4] != self._number.to_bytes(2, "big") + b"\0\0":
                    continue
                frame = frame[6:]
            body = _body(frame, unit, function, count, crc=not self._tcp)
            if body is not None:
                return body
        return None

    def units(self, candidates: Iterable[int]) -> Iterator[int]:
        """Units that answer at all."""
        for unit in candidates:
            for function in FUNCTIONS.values():
                if self.ask(unit, function, 0, 1) is not None:
                    yield unit
                    break

    def ranges(self, unit: int, *, seconds: float) -> list[RegisterRange]:
        """Return the ranges that can be read, those at low registers first.

        Args:
            unit: the device's address.
            seconds: when to stop looking.
        """
        end = time.monotonic() + seconds
        found: list[RegisterRange] = []
        for registers, function in FUNCTIONS.items():
            known = -1
            for first in (*range(_FIRST), *_BASES):
                if time.monotonic() > end:
                    return found
                if first <= known and any(
                    one.registers == registers and one.first <= first < one.first + one.count
                    for one in found
                ):
                    continue
                count = self._readable(unit, function, first)
                if count:
                    kind: Literal["holding", "input"] = "holding" if function == 3 else "input"
                    found.append(RegisterRange(kind, first, count))
                    known = max(known, first + count - 1)
        return found

    def _readable(self, unit: int, function: int, first: int) -> int:
        """How many registers from `first` on can be read at once; 0: none."""
        good = next((n for n in (1, 2) if self._has(unit, function, first, n)), 0)
        if not good:
            return 0
        bad = min(MOST_REGISTERS, 65536 - first) + 1
        step = good
        while bad - good > 1 and step:
            step = min(2 * step, bad - 1 - good) if bad > MOST_REGISTERS else (bad - good) // 2
            if step < 1:
                break
            if self._has(unit, function, first, good + step):
                good += step
            else:
                bad = good + step
                step = max(1, (bad - good) // 2)
        return good

    def _has(self, unit: int, function: int, first: int, count: int) -> bool:
        answer = self.ask(unit, function, first, count)
        return answer is not None and not answer.exception

    def sampled(
        self, unit: int, ranges: Sequence[RegisterRange], *, seconds: float, every: float = 0.02
    ) -> list[RegisterSamples]:
        """Read the ranges in turn for `seconds`, each every `every` seconds if the device can."""
        rows: list[list[tuple[int, ...]]] = [[] for _ in ranges]
        times: list[list[int]] = [[] for _ in ranges]
        end = time.monotonic() + seconds
        following = time.monotonic()
        while time.monotonic() < end:
            for at, one in enumerate(ranges):
                answer = self.ask(unit, FUNCTIONS[one.registers], one.first, one.count)
                if answer is not None and len(answer.values) == one.count:
                    rows[at].append(answer.values)
                    times[at].append(self._transport.arrived)
            following += every
            time.sleep(max(0.0, following - time.monotonic()))
        return [
            RegisterSamples(
                one,
                np.array(row, np.uint16).reshape(len(row), one.count),
                np.array(at, np.int64),
            )
            for one, row, at in zip(ranges, rows, times, strict=True)
        ]


def _body(
    frame: bytes, unit: int, function: int, count: int, *, crc: bool
) -> RegisterAnswer | None:
    """The answer at the beginning of `frame`; None if there is none, or not whole."""
    more = 2 if crc else 0
    if frame[:2] == bytes([unit, function | EXCEPTION]) and len(frame) >= 3 + more:
        whole = frame[: 3 + more]
        if not crc or len(set(crcs(whole))) == 1:
            return RegisterAnswer((), whole[2])
    size = 3 + 2 * count + more
    if frame[:3] == bytes([unit, function, 2 * count]) and len(frame) >= size:
        whole = frame[:size]
        if not crc or len(set(crcs(whole))) == 1:
            data = np.frombuffer(whole[3 : 3 + 2 * count], ">u2")
            return RegisterAnswer(tuple(int(one) for one in data))
    return None
