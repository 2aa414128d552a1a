"""Fixtures of the simulator's tests: small scenarios and a real broker."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from support.broker import Broker
from swathe_simulators import Scenario


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread or an open file behind."""
    descriptors = Path("/proc/self/fd")
    threads = set(threading.enumerate())
    before = len(list(descriptors.iterdir())) if descriptors.exists() else 0
    yield
    left = [t.name for t in threading.enumerate() if t not in threads and "asyncio" not in t.name]
    assert left == []
    after = len(list(descriptors.iterdir())) if descriptors.exists() else 0
    assert after <= before


@pytest.fixture
def scenario_data() -> dict[str, Any]:
    """Return a small valid scenario: three lines of 60 mm, both devices on ptys."""
    return {
        "name": "small",
        "seed": 5,
        "start": "at_once",
        "part": {
            "outside_diameter_mm": 2200,
            "nominal_mm": 14,
            "scan_mm": [0, 60],
            "index_mm": [0, 16],
            "random_pits": 3,
        },
        "motion": {
            "kind": "raster",
            "scan_start_mm": 0,
            "scan_end_mm": 60,
            "run_out_mm": 15,
            "index_start_mm": 0,
            "index_step_mm": 8,
            "index_count": 3,
            "speed_mm_per_s": 100,
            "acceleration_mm_per_s2": 400,
            "index_speed_mm_per_s": 40,
            "index_acceleration_mm_per_s2": 200,
            "pause_s": 0.1,
            "wait_s": 0.2,
        },
        "device": [
            {
                "name": "encoder",
                "kind": "encoder",
                "rate_hz": 200,
                "axes": [
                    {"axis": "scan", "counts_per_mm": 26.07},
                    {"axis": "index", "counts_per_mm": 40},
                ],
                "clock": {"offset_us": 1000, "skew_ppm": -35},
                "latency": {"delay_ms": 2, "jitter_ms": 1.5},
                "port": {"kind": "pty", "baud": 115200},
            },
            {
                "name": "gauge",
                "kind": "gauge",
                "rate_hz": 60,
                "zero_offset_us": 0.42,
                "noise_us": 0.004,
                "clock": {"offset_us": 2000, "skew_ppm": 60},
                "latency": {"delay_ms": 9, "jitter_ms": 3},
                "port": {"kind": "pty", "baud": 57600},
            },
        ],
    }


@pytest.fixture
def small(scenario_data: dict[str, Any]) -> Scenario:
    """Return the small scenario as a model."""
    return Scenario.model_validate(scenario_data)


class Listener:
    """Reads a pty in a thread, as a daemon would."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self.data = bytearray()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        while not self._stop.wait(0.001):
            try:
                self.data += os.read(self._fd, 65536)
            except BlockingIOError:
                continue
            except OSError:
                return

    def close(self) -> bytes:
        """Stop and return all that was read."""
        self._stop.set()
        self._thread.join()
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
        return bytes(self.data)


@pytest.fixture
def listen() -> Iterator[Callable[[Path], Listener]]:
    """Return a function that starts reading a pty."""
    listeners: list[Listener] = []

    def start(path: Path) -> Listener:
        listeners.append(Listener(path))
        return listeners[-1]

    yield start
    for listener in listeners:
        listener.close()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    """Return a running broker."""
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def mosquitto_port(mosquitto: Broker) -> int:
    """Return the port of a running broker."""
    return mosquitto.port
