"""Answers of a Modbus device in a stream that is cut anywhere and may hold garbage.

An RTU answer is unit, function, number of data bytes, data, CRC-16 with its low byte first (MODBUS
over Serial Line, Specification and Implementation Guide V1.02, 2.5.1); over TCP a header of
transaction, protocol 0 and length is before the unit, and there is no CRC (MODBUS Messaging on
TCP/IP Implementation Guide V1.0b, 3.1.3). An exception has the highest bit of its function set and
one byte of data, the code. Only what can answer one of our requests is taken for an answer.
"""

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.framer import Found, Framer
from swathe_drivers.records import FaultReason
from swathe_drivers.rtu import EXCEPTION, crcs

LONGEST_FRAME: Final = 260
"""Bytes of the longest frame, that of TCP."""


def transaction_bits(n_reads: int) -> int:
    """Return how many of a transaction's lowest bits show which read it belongs to."""
    return (n_reads - 1).bit_length()


@dataclass(frozen=True, slots=True)
class Candidate:
    """What may begin at a place of the buffer.

    Attributes:
        read: number of the request it answers; for an exception, `-1 - code`.
        size: bytes of the whole frame.
        data: where its data begin, from its first byte.
        head: its first bytes.
        request: number that its request has, too: over TCP the transaction, else that of the read.
    """

    read: int
    size: int
    data: int
    head: bytes
    request: int


class ModbusFramer(Framer):
    """Finds answers.

    Args:
        keys: unit, function and number of data bytes of the answer to each read.
        ns_per_byte: see `Framer`.

    Attributes:
        answers: what the frames are that the last chunks brought, in their order.
    """

    header: int
    """Bytes that tell what a frame is."""

    def __init__(self, keys: Sequence[tuple[int, int, int]], *, ns_per_byte: int) -> None:
        super().__init__(max_length=LONGEST_FRAME, ns_per_byte=ns_per_byte)
        self._keys = tuple(keys)
        self.answers: list[Candidate] = []

    @abstractmethod
    def number_of(self, request: bytes) -> int:
        """Return `Candidate.request` of the answer to a request; -1 if it is none of ours."""

    @abstractmethod
    def _begins(self, block: NDArray[np.uint8], pos: int) -> NDArray[np.int64]:
        """Places from `pos` on at which a frame may begin, as far as its first bytes are known."""

    def candidate(self, head: bytes) -> Candidate | None:
        """Return what the bytes at the beginning of a frame say it is; None: nothing of ours."""
        return self._candidate(head) if len(head) == self.header else None

    @abstractmethod
    def _candidate(self, head: bytes) -> Candidate | None:
        """What the `header` bytes at the beginning of a frame say it is; None: nothing of ours."""

    def _wrong(self, frame: bytes) -> str:  # noqa: ARG002
        """What is wrong with a whole frame; empty if nothing is."""
        return ""

    def _find(self, block: NDArray[np.uint8]) -> Found:
        base, ledger, size = self._base, self._ledger, block.size
        self.answers = []
        starts: list[int] = []
        decided: list[int] = []
        reach = 0  # behind the bytes of all that was looked at so far
        data = self._buffer
        pos, self._need = self._pos, size + 1
        end = size
        for place in self._begins(block, pos).tolist():
            if place < pos:
                continue
            if place + self.header > size:
                end = place  # the next bytes may show that a frame begins here
                break
            candidate = self._candidate(bytes(data[place : place + self.header]))
            if candidate is None:
                continue
            until = place + candidate.size
            if until > size:
                end = place
                self._need = until
                break
            reach = max(reach, until)
            wrong = self._wrong(bytes(data[place:until]))
            ledger.no_frame(base + pos, base + place)
            if wrong:
                ledger.failed(base + place, FaultReason.CHECKSUM, wrong, base + until)
                pos = place + 1  # what the ledger has open continues from there
                continue
            ledger.close(base + place)
            starts.append(place)
            decided.append(reach)
            self.answers.append(candidate)
            pos = until
        if end > pos:
            ledger.no_frame(base + pos, base + end)
            pos = end
        self._pos = pos
        sizes = np.array([answer.size for answer in self.answers], np.int64)
        return Found(
            starts=np.array(starts, np.int64), sizes=sizes, decided=np.array(decided, np.int64)
        )


class RtuFramer(ModbusFramer):
    """Answers as on a serial line."""

    header = 3

    def number_of(self, request: bytes) -> int:
        """Return the number of the read."""
        key = (*request[:2], 2 * int.from_bytes(request[4:6], "big"))
        return self._keys.index(key) if key in self._keys else -1

    def _begins(self, block: NDArray[np.uint8], pos: int) -> NDArray[np.int64]:
        units = sorted({unit for unit, _, _ in self._keys})
        return np.flatnonzero(np.isin(block[pos:], units)) + pos

    def _candidate(self, head: bytes) -> Candidate | None:
        unit, function, third = head
        for index, key in enumerate(self._keys):
            if key == (unit, function, third):
                return Candidate(index, 3 + third + 2, 3, head, index)
            if key[:2] == (unit, function ^ EXCEPTION) and third:
                return Candidate(-1 - third, 5, 3, head, index)
        return None

    def _wrong(self, frame: bytes) -> str:
        sent, computed = crcs(frame)
        if sent == computed:
            return ""
        return f"the answer carries {sent:04X} but its bytes give {computed:04X}"


def answer_of_other_unit(
    data: bytes, keys: Sequence[tuple[int, int, int]]
) -> tuple[int, int] | None:
    """Return the unit that answered and the one that was asked; None if there is no such RTU answer.

    What another unit answers has the function and length of one of `keys`, and its CRC is right.
    """
    for place in range(len(data) - 4):
        for unit, function, count in keys:
            if data[place] == unit:
                continue
            if data[place + 1 : place + 3] == bytes([function, count]):
                frame = data[place : place + count + 5]
            elif data[place + 1] == function ^ EXCEPTION:
                frame = data[place : place + 5]
            else:
                continue
            if len(frame) in (5, count + 5):
                sent, computed = crcs(frame)
                if sent == computed:
                    return frame[0], unit
    return None


class TcpFramer(ModbusFramer):
    """Answers as in a TCP stream; the transaction identifies which request is answered."""

    header = 9

    def number_of(self, request: bytes) -> int:
        """Return the transaction."""
        return int.from_bytes(request[:2], "big") if request else -1

    def _begins(self, block: NDArray[np.uint8], pos: int) -> NDArray[np.int64]:
        known = block.size - 4
        zeros = np.flatnonzero((block[pos + 2 : -2] == 0) & (block[pos + 3 : -1] == 0)) + pos
        late = np.arange(max(pos, known), block.size)  # too few bytes to know
        return np.unique(np.concatenate((zeros, late)))

    def _candidate(self, head: bytes) -> Candidate | None:
        transaction = int.from_bytes(head[:2], "big")
        index = transaction & ((1 << transaction_bits(len(self._keys))) - 1)
        if head[2:4] != b"\0\0" or index >= len(self._keys):
            return None
        length = int.from_bytes(head[4:6], "big")
        unit, function, third = head[6:]
        key = self._keys[index]
        if key == (unit, function, third) and length == 3 + third:
            return Candidate(index, 6 + length, 9, head, transaction)
        if key[:2] == (unit, function ^ EXCEPTION) and length == 3 and third:
            return Candidate(-1 - third, 9, 9, head, transaction)
        return None
