"""pymodbus' own server behind TCP or a terminal, in a thread; it shares no code with the driver."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import struct
import threading
import tty
from abc import ABC, abstractmethod
from typing import Any, Self

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.doubles import PATIENCE


class Device(ABC):
    """Registers that move on with every request.

    Holding registers 100, 101 are a count that grows by 7, its high word first; 102 is -number,
    104, 105 a float of 10 + number / 8, its low word first, all told by the number of the request.
    """

    def __init__(self, *, unit: int = 7) -> None:
        self.unit = unit
        self.requests: list[tuple[int, int, int]] = []
        self.refuse: ExcCodes | None = None
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def registers(self, number: int) -> dict[int, int]:
        """What is in the registers at one request."""
        high, low = struct.unpack(">HH", struct.pack(">i", 7 * number - 50))
        first, second = struct.unpack(">HH", struct.pack(">f", 10 + number / 8))
        (negative,) = struct.unpack(">H", struct.pack(">h", -number))
        return {100: high, 101: low, 102: negative, 103: number % 2, 104: second, 105: first}

    async def _action(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        values: list[int] | list[bool] | None,  # noqa: ARG002
    ) -> ExcCodes | None:
        if self.refuse is not None:
            return self.refuse
        now = self.registers(len(self.requests))
        self.requests.append((function, address, count))
        for place in range(address, address + count):
            current[place - start] = now.get(place, 0)
        return None

    def _device(self) -> SimDevice:
        data = SimData(0, count=400, values=0, datatype=DataType.REGISTERS)
        return SimDevice(id=self.unit, simdata=[data], action=self._action)

    @abstractmethod
    async def _start(self) -> Any:
        """Return the server, running."""

    async def _serve(self) -> None:
        server = await self._start()
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        await self._end.wait()
        await server.shutdown()
        await asyncio.sleep(0.05)

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(PATIENCE)
        return self

    def __exit__(self, *error: object) -> None:
        assert self._loop is not None
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join()


class TcpDevice(Device):
    """Behind TCP, with either framing."""

    def __init__(self, *, unit: int = 7, rtu: bool = False) -> None:
        super().__init__(unit=unit)
        self._framer = FramerType.RTU if rtu else FramerType.SOCKET
        self.url = ""

    async def _start(self) -> ModbusTcpServer:
        server = ModbusTcpServer(
            self._device(),
            framer=self._framer,
            address=("127.0.0.1", 0),
        )
        await server.serve_forever(background=True)
        transport: Any = server.transport
        self.url = f"socket://127.0.0.1:{transport.sockets[0].getsockname()[1]}"
        return server


class SerialDevice(Device):
    """On a serial line: a pair of terminals whose masters are joined."""

    def __init__(self, *, unit: int = 7) -> None:
        super().__init__(unit=unit)
        pairs = [pty.openpty() for _ in range(2)]
        self._masters = [master for master, _ in pairs]
        # Both ends stay open here, so that no side sees the other hang up.
        self._slaves = [slave for _, slave in pairs]
        for slave in self._slaves:
            tty.setraw(slave)
        self.url, self._theirs = (os.ttyname(slave) for slave in self._slaves)
        self._over = threading.Event()
        self._line = threading.Thread(target=self._join)
        self.spoil = 0
        """So many of the next answers lose a bit."""

    def _join(self) -> None:
        ours, theirs = self._masters
        while not self._over.is_set():
            ready, _, _ = select.select(self._masters, [], [], 0.02)
            for end in ready:
                data = os.read(end, 4096)
                if end == theirs and self.spoil:
                    self.spoil -= 1
                    data = data[:-3] + bytes([data[-3] ^ 4]) + data[-2:]
                os.write(theirs if end == ours else ours, data)

    async def _start(self) -> ModbusSerialServer:
        server = ModbusSerialServer(
            self._device(),
            framer=FramerType.RTU,
            port=self._theirs,
            baudrate=115200,
        )
        await server.serve_forever(background=True)
        return server

    def __enter__(self) -> Self:
        self._line.start()
        return super().__enter__()

    def __exit__(self, *error: object) -> None:
        super().__exit__(*error)
        self._over.set()
        self._line.join()
        for descriptor in (*self._masters, *self._slaves):
            os.close(descriptor)
