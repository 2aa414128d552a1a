"""The daemon as users run it: a process, a station file, ports of a simulated world."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["DaemonProcess", "read_until", "station_text", "swathe", "wait_for"]

# What each simulated scenario's devices are, as an integrator would write it down.
_ENCODER = """
[device.encoder]
port = "{ports}/encoder"
baud = {encoder_baud}
delay = "{encoder_delay} us"
[device.encoder.protocol]
terminator = "\\r\\n"
separator = ","
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "P" }},
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan" }},
  {{ is = "counts", axis = "index" }},
]
"""
_GAUGE = """
[device.gauge]
port = "{ports}/gauge"
baud = {gauge_baud}
delay = "{gauge_delay} us"
[device.gauge.protocol]
terminator = "\\r\\n"
separator = ","
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "R" }},
  {{ is = "device_time", unit = "us" }},
  {{ is = "time_of_flight", unit = "us", min = 0, max = 100 }},
  {{ is = "amplitude", unit = "%" }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""
_PENSTOCK = """
name = "penstock-3"
[survey]
folder = "survey"
part = "Penstock 3"
nominal_thickness = "14 mm"
[scan]
length = "900 mm"
resolution = "4 mm"
device = "encoder"
counts_per_mm = 26.07
[index]
length = "240 mm"
resolution = "8 mm"
device = "encoder"
counts_per_mm = 40
[[exclude]]
name = "lug of the support ring"
scan = ["500 mm", "560 mm"]
index = ["40 mm", "72 mm"]
[calibration]
velocity = "5920 m/s"
zero_offset = "0.42 us"
"""
_LINES = """
name = "penstock-lines"
[survey]
folder = "survey"
[scan]
length = "300 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 12.5
reversed = true
zero_count = 20000
[index]
length = "{index_length} mm"
resolution = "{index_step} mm"
mode = "stepped"
advance = "{advance}"
[device.encoder]
port = "{ports}/encoder"
baud = {encoder_baud}
[device.encoder.protocol]
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "P" }},
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan", bits = 16 }},
]
[device.gauge]
port = "{ports}/gauge"
baud = {gauge_baud}
[device.gauge.protocol]
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "R" }},
  {{ is = "thickness", unit = "mm" }},
  {{ is = "amplitude", unit = "%" }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""
_PROFILE = """
name = "penstock-profile"
[survey]
folder = "survey"
[scan]
length = "2 m"
resolution = "1 mm"
device = "instrument"
counts_per_mm = 19.2
zero_count = 1000
[calibration]
velocity = "5920 m/s"
zero_offset = "0.31 us"
[device.instrument]
port = "{ports}/instrument"
[device.instrument.protocol]
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "C" }},
  {{ is = "device_time", unit = "us", bits = 32 }},
  {{ is = "counts", axis = "scan", bits = 24 }},
  {{ is = "time_of_flight", unit = "us" }},
  {{ is = "amplitude", unit = "%" }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""
_TEMPLATES = {
    "penstock": _PENSTOCK + _ENCODER + _GAUGE,
    "lines": _LINES,
    "profile": _PROFILE,
}


def station_text(
    scenario: str,
    ports: Path,
    *,
    speed: float = 1.0,
    broker_port: int | None = None,
    **values: object,
) -> str:
    """Return the station file for a built-in scenario served at `speed` in the folder `ports`."""
    baud = {"penstock": (115_200, 57_600), "lines": (57_600, 19_200), "profile": (0, 0)}[scenario]
    text = _TEMPLATES[scenario].format(
        ports=ports,
        encoder_baud=round(baud[0] * speed),
        gauge_baud=round(baud[1] * speed),
        encoder_delay=2000 / speed,
        gauge_delay=9000 / speed,
        **values,
    )
    if broker_port is not None:
        text += f'\n[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n'
    return text


def swathe(*arguments: object, check: bool = False) -> subprocess.CompletedProcess[str]:
    """Run a swathe command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "swathe", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=100,
        check=check,
    )


class DaemonProcess:
    """``swathe run`` in a process of its own."""

    def __init__(self, station: Path, *arguments: str) -> None:
        self._process = subprocess.Popen(
            # Without its picture a run ends a second earlier.
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(station), *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether it has not ended yet."""
        return self._process.poll() is None

    def signal(self, number: int) -> None:
        """Send it a signal."""
        self._process.send_signal(number)

    def finish(self, timeout: float = 60) -> tuple[int, str]:
        """Wait for its end; return exit code and all that it said."""
        try:
            output, _ = self._process.communicate(timeout=timeout)
        except subprocess.TimeoutExpired:
            self._process.kill()
            output, _ = self._process.communicate()
            message = f"the daemon did not end in {timeout:g} s; it said:\n{output}"
            raise AssertionError(message) from None
        return self._process.returncode, output

    def close(self) -> None:
        """Kill it if it still runs."""
        if self._process.poll() is None:
            self._process.kill()
        if self._process.stdout is not None and not self._process.stdout.closed:
            self._process.communicate()


def read_until(process: subprocess.Popen[str], text: str, timeout: float = 60) -> str:
    """Read a process's output up to the line with `text`, and return it; kill it if none comes."""
    assert process.stdout is not None
    killer = threading.Timer(timeout, process.kill)
    killer.start()
    read = ""
    try:
        for line in process.stdout:
            read += line
            if text in line:
                return read
    finally:
        killer.cancel()
        killer.join()
    message = f"{text!r}: not within {timeout:g} s of\n{read}"
    raise AssertionError(message)


def wait_for(condition: Callable[[], bool], timeout: float, what: str) -> None:
    """Wait until `condition` holds."""
    end = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < end, f"{what}: not within {timeout:g} s"
        time.sleep(0.02)
