"""The part of the contract that needs a port: over memory, a pseudo-terminal and TCP."""

import sys
import threading
import time
from collections.abc import Iterator
from typing import Final

import pytest

from swathe_drivers.abc import Decoder
from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.port import PortReader, PortSettings, PortState
from swathe_drivers.records import Batch
from swathe_drivers.testing.base import ContractBase
from swathe_drivers.testing.ends import FarEnd, MemoryEnd, TcpEnd, TerminalEnd, wait_for
from swathe_drivers.testing.feeding import Total, assert_same_records, total
from swathe_drivers.testing.leaks import nothing_left_behind

_ENDS: Final[dict[str, type[FarEnd]]] = {
    "memory": MemoryEnd,
    "terminal": TerminalEnd,
    "TCP": TcpEnd,
}


class DecodedPort:
    """A decoder behind a reader, as the daemon has one."""

    def __init__(self, decoder: Decoder, far: FarEnd) -> None:
        self.reader = PortReader(
            "device",
            PortSettings(url=far.url, baud=12_000_000),
            on_chunk=self._chunk,
            on_state=self._state,
            backoff=Backoff(first=0.01, cap=0.05),
        )
        self.bytes = 0
        self.lost = 0
        self._decoder = decoder
        self._batches: list[Batch] = [decoder.reset(0)]
        self._lock = threading.Lock()

    def _chunk(self, _name: str, time_ns: int, data: bytes) -> None:
        with self._lock:
            self._batches.append(self._decoder.feed(data, time_ns))
            self.bytes += len(data)

    def _state(self, _name: str, _time: int, state: PortState, _detail: str) -> None:
        if state in (PortState.LOST, PortState.CLOSED):
            with self._lock:
                self._batches.append(self._decoder.reset(self.bytes))
                self.lost += state is PortState.LOST

    @property
    def total(self) -> Total:
        """All that came so far."""
        with self._lock:
            return total(self._batches)


class OverPorts(ContractBase):
    """Tests of a driver behind a real port."""

    @pytest.fixture(params=list(_ENDS))
    def far(self, request: pytest.FixtureRequest) -> Iterator[FarEnd]:
        """The device's end of a port; nothing of it or of the test may be left behind."""
        kind = _ENDS[request.param]
        if kind is TerminalEnd and sys.platform == "win32":
            pytest.skip("there are no pseudo-terminals on this system")
        with nothing_left_behind(), kind() as end:
            yield end

    def test_records_come_through_a_port(self, far: FarEnd) -> None:
        """The same as without one."""
        port = DecodedPort(self.decoder(), far)
        with port.reader as reader:
            far.meet(reader)
            self._send(far, port)
        assert_same_records(self.feed(self.whole), port.total)
        assert port.total.bytes == sum(map(len, self.records))

    def test_port_that_is_lost_and_comes_back_costs_what_was_under_way(self, far: FarEnd) -> None:
        """Half a record before the loss; behind it all records are found."""
        if not far.can_break:
            pytest.skip("this kind of port can't be lost")
        port = DecodedPort(self.decoder(), far)
        half = self.records[0][: max(1, len(self.records[0]) // 2)]
        with port.reader as reader:
            far.meet(reader)
            far.send(half)
            wait_for(lambda: port.bytes == len(half), "the first bytes")
            far.lose()
            wait_for(lambda: port.lost >= 1, "the loss to be noticed")
            far.meet(reader)
            self._send(far, port)
        found = port.total
        assert_same_records(self.feed(self.whole), found, but=("time", "offset"))
        assert found.bytes == len(half) + sum(map(len, self.records))
        assert reader.reconnects >= 1

    def test_reader_may_be_closed_twice_and_started_again(self, far: FarEnd) -> None:
        """Four cases of its life: unopened, open twice, closed twice, open again."""
        port = DecodedPort(self.decoder(), far)
        port.reader.close()
        for _ in range(2):
            with port.reader as reader:
                far.meet(reader)
                with pytest.raises(DriverUsageError):
                    reader.start()
                reader.close()
                reader.close()
                assert reader.state is PortState.CLOSED
        assert port.total.records == 0

    def _send(self, far: FarEnd, port: DecodedPort) -> None:
        for record in self.records:
            before = port.bytes
            far.send(record)
            wait_for(lambda: port.bytes == before + len(record), "the bytes sent")  # noqa: B023
            time.sleep(3 * self.silence_ms / 1e3)
