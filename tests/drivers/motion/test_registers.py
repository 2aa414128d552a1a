"""Modbus registers, against pymodbus' own server."""

from __future__ import annotations

import asyncio
import struct
import threading
import time
from collections.abc import Iterator
from typing import Any, Self

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU, FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.doubles import PATIENCE, wait_until
from drivers.motion.machine import Told
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.motion import CommandOutcome, EventKind, MotionCodec, MotionDriver, MotionPort
from swathe_drivers.motion.registers import RegistersDriver, RegistersSettings
from swathe_drivers.records import FaultReason
from swathe_drivers.transport import PortSettings

SETTINGS: dict[str, Any] = {
    "unit": 7,
    "axes": {
        "scan": {
            "min_mm": 0,
            "max_mm": 1000,
            "speed_mm_per_s": 200,
            "scale": 100,
            "target": 100,
            "position": 200,
            "home_command": 5,
            "homed_bit": 2,
        },
        "index": {
            "min_mm": -50,
            "max_mm": 50,
            "speed_mm_per_s": 20,
            "type": "float32",
            "target": 102,
            "position": 202,
        },
    },
    "speed": {"register": 110, "scale": 10},
    "command": {"register": 120, "move": 1, "stop": 2, "arm": 3, "disarm": 4},
    "status": {"register": 210, "moving_bit": 0, "alarm_bit": 1},
    "timeout_s": 1.0,
}


def driver(**changes: Any) -> RegistersDriver:
    """A driver of the machine of these tests."""
    return RegistersDriver(RegistersSettings.model_validate({**SETTINGS, **changes}))


class Machine:
    """Registers behind pymodbus' server: what is written to targets becomes the position."""

    def __init__(self) -> None:
        self.writes: list[tuple[int, int, list[int]]] = []
        self.refuse: int | None = None
        self.slow_s = 0.0
        self.status = 0
        self.number = 0
        self._registers = dict.fromkeys(range(65536), 0)
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    async def _action(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if self.slow_s:
            await asyncio.sleep(self.slow_s)
        if address == self.refuse:
            return ExcCodes.ILLEGAL_VALUE
        if values is None:
            for place in range(max(address, 200), address + count):
                value = self.status if place == 210 else self._registers[place - 100]
                current[place - start] = value
            return None
        words = [int(value) for value in values]
        self.writes.append((function, address, words))
        for place, word in enumerate(words, address):
            self._registers[place] = word
        return None

    async def _serve(self) -> None:
        data = SimData(0, count=400, values=0, datatype=DataType.REGISTERS)
        device = SimDevice(id=7, simdata=[data], action=self._action)
        server = ModbusTcpServer(device, framer=FramerType.RTU, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        transport: Any = server.transport
        self.number = transport.sockets[0].getsockname()[1]
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        await self._end.wait()
        server.close()
        await asyncio.sleep(0.05)

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(PATIENCE)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join()


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine that listens."""
    with Machine() as found:
        yield found


def opened(machine: Machine, told: Told, **changes: Any) -> MotionPort:
    """A port to that machine."""
    settings = PortSettings(url=f"socket://127.0.0.1:{machine.number}")
    return MotionPort(
        "crawler", settings, driver(**changes), on_event=told.on_event, on_sent=told.on_sent
    )


def test_driver_offers_what_the_protocol_asks_for() -> None:
    """It is a motion driver, its codec a motion codec."""
    assert isinstance(driver(), MotionDriver)
    assert isinstance(driver().codec(ns_per_byte=0), MotionCodec)


def test_write_frame_is_that_of_the_specification() -> None:
    """The request with which the MODBUS specification explains function 6, with its CRC.

    Write 3 to register 1 (V1.1b3, 6.6; from memory), here of device 17. The CRC was worked out
    bit by bit below, as the serial line guide's appendix B describes it.
    """
    codec = driver(unit=17, command={"register": 1, "move": 1, "stop": 3}).codec(ns_per_byte=0)
    data = codec.stop().data
    assert data[:6] == bytes.fromhex("110600010003")
    crc = 0xFFFF
    for byte in data[:6]:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    assert data[6:] == crc.to_bytes(2, "little")


def test_commands_write_registers_in_order(machine: Machine) -> None:
    """Targets, speed, then the command; numbers as the server decoded them."""
    with opened(machine, Told()) as port:
        port.wait_open(10)
        assert port.arm().result(10).outcome is CommandOutcome.ACKNOWLEDGED
        move = port.move({"scan": 123.45, "index": -2.5}, speed=12.5)
        assert move.result(10).outcome is CommandOutcome.ACKNOWLEDGED
        assert port.home("scan").result(10).outcome is CommandOutcome.ACKNOWLEDGED
        with pytest.raises(DriverUsageError, match="those that can: scan"):
            port.home("index")
    scan = list(struct.unpack(">2H", struct.pack(">i", 12345)))
    index = list(struct.unpack(">2H", struct.pack(">f", -2.5)))
    assert machine.writes[:6] == [
        (6, 120, [3]),
        (16, 100, scan),
        (16, 102, index),
        (6, 110, [125]),
        (6, 120, [1]),
        (6, 120, [5]),
    ]
    assert machine.writes[6:] == [(6, 120, [2])]  # closing stops an armed machine


@pytest.mark.parametrize("order", ["high_first", "low_first"])
def test_query_reads_positions_and_status(machine: Machine, order: str) -> None:
    """Positions come back in mm; bits of the status become events."""
    told = Told()
    with opened(machine, told, word_order=order) as port:
        port.wait_open(10)
        port.arm().result(10)
        port.move({"scan": 500.25, "index": 7.5}, speed=10).result(10)
        machine.status = 0b101
        assert port.query_position().result(10).outcome is CommandOutcome.ACKNOWLEDGED
        places = [event.position for event in told.events if event.kind is EventKind.POSITION]
        assert places == [{"scan": 500.25}, {"index": 7.5}]
        kinds = [event.kind for event in told.events]
        assert EventKind.MOVING in kinds
        assert [event.axis for event in told.events if event.kind is EventKind.HOMED] == ["scan"]
        machine.status = 0b010
        alarmed = port.query_position().result(10)
        assert alarmed.outcome is CommandOutcome.ALARM
        assert alarmed.text == "status word 0x0002"
        assert not port.armed


def test_exception_response_refuses_the_command(machine: Machine) -> None:
    """The server's exception is the command's end, and names the function."""
    machine.refuse = 110
    with opened(machine, Told()) as port:
        port.wait_open(10)
        port.arm().result(10)
        receipt = port.move({"scan": 1.0}, speed=10).result(10)
        assert receipt.outcome is CommandOutcome.REFUSED
        assert receipt.text == "Modbus exception 3 to function 6"
        assert (6, 120, [1]) not in machine.writes


def test_stop_goes_out_while_a_request_is_under_way(machine: Machine) -> None:
    """A slow machine's pending response does not hold the stop back; it is acknowledged."""
    told = Told()
    with opened(machine, told, timeout_s=5) as port:
        port.wait_open(10)
        port.arm().result(10)
        machine.slow_s = 0.4
        move = port.move({"scan": 1.0}, speed=10)
        time.sleep(0.1)
        begun = time.monotonic_ns()
        port.stop()
        at, data = told.sent[-1]
        assert data == port.codec.stop().data
        assert (at - begun) / 1e9 < 0.2
        assert move.result(10).outcome is CommandOutcome.STOPPED
        wait_until(lambda: (6, 120, [2]) in machine.writes, "the stop")
        assert (6, 120, [1]) not in machine.writes


def frames(codec: MotionCodec) -> bytes:
    """Count a stop as sent and give the response to it, which repeats it."""
    frame = codec.stop()
    codec.sent(frame)
    return frame.data


@given(st.lists(st.binary(max_size=60), max_size=6))
def test_feed_any_bytes_raise_nothing_and_resynchronise(pieces: list[bytes]) -> None:
    """Whatever came before, after the timeout's `forget` the next response is understood."""
    codec = driver().codec(ns_per_byte=0)
    for piece in pieces:
        codec.feed(piece, 0)
    codec.forget()
    response = frames(codec)
    assert [event.kind for event in codec.feed(response, 0)] == [EventKind.ACKNOWLEDGED]


def test_garbage_before_and_a_wrong_checksum_are_counted() -> None:
    """A response is found behind garbage; a damaged one is a fault with its offset."""
    codec = driver().codec(ns_per_byte=0)
    response = frames(codec)
    damaged = response[:-1] + bytes([response[-1] ^ 1])
    stream = b"\x00\xff" + damaged + response
    events = [event for n in range(len(stream)) for event in codec.feed(stream[n : n + 1], n)]
    assert [event.kind for event in events][-1] is EventKind.ACKNOWLEDGED
    faults = [event.fault for event in events if event.fault is not None]
    assert faults[0].offset == 0
    assert sum(fault.length for fault in faults) == 2 + len(damaged)
    assert set(codec.n_faults) == {FaultReason.FRAME}
    (late,) = codec.feed(response, 0)
    assert late.fault is not None
    assert late.fault.reason is FaultReason.UNKNOWN_FRAME


def test_position_that_is_no_number_is_a_fault() -> None:
    """A float32 register without a number changes no position."""
    codec = driver().codec(ns_per_byte=0)
    query = codec.query_position()
    assert query is not None
    codec.sent(query.frames[1])
    body = bytes([7, 3, 4]) + struct.pack(">f", float("nan"))
    crc = FramerRTU.compute_CRC(body).to_bytes(2, "big")
    fault, done = codec.feed(body + crc, 0)
    assert fault.fault is not None
    assert fault.fault.reason is FaultReason.NOT_FINITE
    assert done.kind is EventKind.ACKNOWLEDGED
