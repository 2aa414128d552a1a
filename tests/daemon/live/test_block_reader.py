"""A probe on a block, by the bytes that a gauge writes into a pseudo-terminal."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from daemon.echo_model import scans
from drivers.doubles import PtyPort
from swathe.calibration import StabilityState
from swathe.live.block_reader import BlockReader, NotSteadyError, SteadyReadings
from swathe.station import parse_station, probes_of

STATION = """
name = "strip"
[survey]
folder = "survey"
[scan]
length = "600 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 20
[calibration]
velocity = "5920 m/s"
[echo]
time_of_flight = "back wall"
[[echo.gate]]
name = "back wall"
start = "0.6 us"
width = "6 us"
threshold = "30 %"
polarity = "{polarity}"
[device.encoder]
port = "/dev/null"
[device.encoder.protocol]
columns = [{{ is = "counts", axis = "scan" }}]
[device.instrument]
driver = "frames"
port = "{port}"
[device.instrument.protocol]
byte_order = "big"
framing = {{ kind = "length_prefix", sync = [0xA5, 0x5A], adds = 4 }}
fields = [
  {{ is = "length", type = "u2" }},
  {{ is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 }},
]
"""


def frame(height: float) -> bytes:
    """Return an A-scan with an echo at 4 µs whose highest half cycle has the sign of `height`."""
    data: bytes = np.rint(scans([[(4.0, height)]])[0] * 327.67).astype(">i2").tobytes()
    return b"\xa5\x5a" + len(data).to_bytes(2, "big") + data


async def steady_on(
    port: PtyPort, polarity: str, next_frame: Callable[[int], bytes]
) -> SteadyReadings:
    """Return the steady readings of a gauge that goes on writing A-scans."""
    station = parse_station(STATION.format(port=port.link, polarity=polarity), "strip.toml")

    async def write() -> None:
        number = 0
        while True:
            port.send(next_frame(number))
            number += 1
            await asyncio.sleep(0.01)

    states: list[StabilityState] = []
    async with BlockReader(station, window=10, tolerance=0.005) as reader:
        writing = asyncio.create_task(write())
        try:
            return await reader.steady(show=states.append, patience=60.0)
        finally:
            writing.cancel()


@pytest.mark.parametrize(("polarity", "height"), [("positive", 80.0), ("negative", -80.0)])
async def test_step_is_read_with_the_polarity_of_its_echo(
    tmp_path: Path, polarity: str, height: float
) -> None:
    """The time is that of the zero crossing behind the highest half cycle, of either sign."""
    with PtyPort(tmp_path / "gauge") as port:
        steady = await steady_on(port, polarity, lambda _: frame(height))
    assert steady.state.mean == pytest.approx(4.05, abs=2e-3)


@pytest.mark.parametrize("polarity", ["positive", "negative"])
async def test_step_with_the_other_polarity_is_refused(tmp_path: Path, polarity: str) -> None:
    """Steady readings half a cycle off, 0.3 mm at 5 MHz, calibrate nothing."""
    height = -80.0 if polarity == "positive" else 80.0
    refused = pytest.raises(NotSteadyError, match="echoes contradict the polarity of their gate")
    with PtyPort(tmp_path / "gauge") as port, refused:
        await steady_on(port, polarity, lambda _: frame(height))


async def test_few_echoes_of_the_other_sign_do_not_refuse_a_step(tmp_path: Path) -> None:
    """An A-scan in eight is inverted at first: the step is read once they agree."""
    with PtyPort(tmp_path / "gauge") as port:
        steady = await steady_on(
            port,
            "positive",
            lambda number: frame(-80.0 if number % 8 == 7 and number < 80 else 80.0),
        )
    assert steady.state.mean == pytest.approx(4.05, abs=2e-3)


TWO_INPUTS = """\
name = "strip"
[survey]
folder = "strip"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "ports/encoder"
[device.encoder.protocol]
columns = [{{is="counts", axis="scan"}}]
[device.gauge]
port = "{port}"
[device.gauge.protocol]
columns = [{{is="probe", inputs=[1, 2]}}, {{is="time_of_flight", unit="us"}}]
[[probe]]
name = "left"
input = 1
[[probe]]
name = "right"
input = 2
scan = "4 mm"
"""


async def test_only_the_probe_that_is_calibrated_is_read(tmp_path: Path) -> None:
    """The other one reads another step, or air, all the time: its readings are no part of it."""
    with PtyPort(tmp_path / "gauge") as port:
        station = parse_station(TWO_INPUTS.format(port=port.link), "strip.toml")
        right = probes_of(station).probes[1]

        async def write() -> None:
            while True:
                port.send(b"1,7.25\r\n2,4.05\r\n")
                await asyncio.sleep(0.01)

        async with BlockReader(station, window=10, tolerance=0.005, probe=right) as reader:
            writing = asyncio.create_task(write())
            try:
                steady = await reader.steady(show=lambda _: None, patience=60.0)
            finally:
                writing.cancel()
    assert reader.gauge == "gauge"
    assert steady.state.mean == pytest.approx(4.05)
