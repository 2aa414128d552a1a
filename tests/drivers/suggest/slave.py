"""A Modbus slave in memory, by the specification; no code of the drivers."""

from __future__ import annotations

from collections.abc import Callable, Mapping


def _crc(data: bytes) -> bytes:
    state = 0xFFFF
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = (state >> 1) ^ 0xA001 if state & 1 else state >> 1
    return state.to_bytes(2, "little")


class Slave:
    """A port behind which a device answers requests that read registers.

    Args:
        unit: its address.
        registers: by function, number and value, as they are now.
        tcp: framing.
    """

    def __init__(
        self, unit: int, registers: Callable[[], Mapping[int, Mapping[int, int]]], *, tcp: bool
    ) -> None:
        self.unit = unit
        self.requests = 0
        self.arrived = 0
        self.descriptor: int | None = None
        self._registers = registers
        self._tcp = tcp
        self._out = b""

    def write(self, data: bytes) -> None:
        """Take a request and have its answer ready."""
        self.requests += 1
        message = data[6:] if self._tcp else data[:-2]
        if not self._tcp and _crc(message) != data[-2:]:
            return
        unit, function = message[0], message[1]
        if unit != self.unit:
            return
        first, count = int.from_bytes(message[2:4], "big"), int.from_bytes(message[4:6], "big")
        known = self._registers().get(function, {})
        wanted = range(first, first + count)
        if all(one in known for one in wanted) and 1 <= count <= 125:
            values = b"".join(known[one].to_bytes(2, "big") for one in wanted)
            body = bytes([unit, function, len(values)]) + values
        else:
            body = bytes([unit, function | 0x80, 2])
        head = data[:4] + len(body).to_bytes(2, "big")
        self._out += head + body if self._tcp else body + _crc(body)

    def write_some(self, data: bytes) -> int:
        """As `write`."""
        self.write(data)
        return len(data)

    def read(self, patience: float = 0.0) -> bytes:
        """What is ready."""
        del patience
        data, self._out = self._out, b""
        return data

    def discard_output(self) -> bool:
        """Nothing waits."""
        return False

    def close(self) -> None:
        """Nothing to close."""
