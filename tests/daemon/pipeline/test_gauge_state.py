"""What a live view shows of a gauge: its newest reading, how often and how long ago one came."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.echo_model import scans, settings
from swathe.calibration import ThicknessLaw
from swathe.echo import EchoSettings
from swathe.pipeline import DeviceTally
from swathe.pipeline.gauge_state import GaugeMonitor, GaugeState
from swathe.pipeline.placing.device import DeviceLink
from swathe.station import parse_station
from swathe.station.devices import decoder_of
from swathe_drivers import Decoder

S = 1_000_000_000
LAW = ThicknessLaw(velocity=5.92, zero_offset=0.05)
VALUES = """
name = "values"
[survey]
folder = "survey"
[scan]
length = "10 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 20
[device.encoder]
port = "/dev/null"
[device.encoder.protocol]
columns = [{ is = "counts", axis = "scan" }]
[device.gauge]
port = "/dev/null"
[device.gauge.protocol]
columns = [
  { is = "thickness", unit = "mm" },
  { is = "amplitude", unit = "%" },
  { is = "status", valid = ["ok"], invalid = ["no"] },
]
"""
ASCANS = """
[device.gauge]
driver = "frames"
port = "/dev/null"
[device.gauge.protocol]
byte_order = "big"
framing = { kind = "length_prefix", sync = [0xA5, 0x5A], adds = 5 }
fields = [
  { is = "length", type = "u2" },
  { is = "status", type = "u1", mask = 1, valid_when = 1 },
  { is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 },
]
[calibration]
velocity = "5920 m/s"
[echo]
time_of_flight = "A"
[[echo.gate]]
name = "A"
start = "1 us"
width = "8 us"
threshold = "20 %"
"""


class Gauge:
    """A gauge that is looked at."""

    def __init__(
        self, decoder: Decoder, *, law: ThicknessLaw | None, echo: EchoSettings | None = None
    ) -> None:
        self.tally = DeviceTally(state="open")
        self.link = DeviceLink(decoder=decoder, delay_ns=0, tally=self.tally, echo=echo)
        self.monitor = GaugeMonitor("gauge", law, no_law="no thickness: not calibrated")

    def send(self, data: bytes, at: float) -> None:
        """Have bytes arrive at a time, s."""
        self.link.take(data, round(at * S))
        self.link.decode(now=round(at * S))

    def look(self, at: float) -> GaugeState:
        """Look at a time, s."""
        return self.monitor.look(self.link, round(at * S))


def of_values() -> Gauge:
    """Return a gauge that sends thickness, amplitude and status."""
    return Gauge(decoder_of(parse_station(VALUES, "values").device["gauge"]), law=None)


def of_ascans(**changes: object) -> Gauge:
    """Return a gauge that sends A-scans."""
    text = VALUES[: VALUES.index("[device.gauge]")] + ASCANS
    station = parse_station(text, "ascans")
    return Gauge(decoder_of(station.device["gauge"]), law=LAW, echo=settings(**changes))


def frame(*echoes: tuple[float, float], status: int = 1) -> bytes:
    """Return an A-scan as it is sent."""
    data: bytes = np.rint(scans([list(echoes)])[0] * 327.67).astype(">i2").tobytes()
    return b"\xa5\x5a" + len(data).to_bytes(2, "big") + bytes([status]) + data


def test_newest_reading_rate_and_age() -> None:
    """The newest value stands; its age grows while nothing comes, and the rate falls to none."""
    gauge = of_values()
    assert gauge.look(0.0).problem.startswith("no byte came yet")
    for k in range(101):
        gauge.send(f"{10 + k / 100:.2f},70,ok\r\n".encode(), k / 20)
        state = gauge.look(k / 20)
    assert (state.thickness, state.amplitude, state.age) == (11.0, 70.0, 0.0)
    assert state.rate == pytest.approx(20.0, rel=0.03)
    assert state.problem == ""
    assert state.time_of_flight is None
    later = gauge.look(5.0 + 1.25)
    assert (later.thickness, later.age) == (11.0, 1.25)
    for second in range(7, 12):
        later = gauge.look(second)
    assert later.age == 6.0
    assert later.rate == 0.0
    assert later.readings == 101


def test_rate_is_not_stated_before_two_seconds() -> None:
    """From a moment no rate is known."""
    gauge = of_values()
    gauge.look(0.0)
    gauge.send(b"10.0,70,ok\r\n" * 50, 0.1)
    assert gauge.look(1.9).rate is None
    assert gauge.look(2.0).rate == pytest.approx(25.0)


def test_reading_without_echo_has_no_value() -> None:
    """What an instrument repeats without an echo is no thickness."""
    gauge = of_values()
    gauge.send(b"10.0,70,ok\r\n10.0,3,no\r\n", 0.0)
    state = gauge.look(0.0)
    assert (state.thickness, state.amplitude) == (None, 3.0)
    assert state.problem == "the instrument reports no echo"


def test_port_that_is_lost_comes_first() -> None:
    """While the port is lost the last reading is old news, and the reason is the port."""
    gauge = of_values()
    gauge.send(b"10.0,70,ok\r\n", 0.0)
    gauge.tally.state, gauge.tally.detail = "lost", "unplugged"
    state = gauge.look(3.0)
    assert state.problem == "the port is lost: unplugged"
    assert (state.port, state.detail, state.age) == ("lost", "unplugged", 3.0)


def test_bytes_that_are_no_reading() -> None:
    """Bytes that decode to nothing are told from none at all."""
    gauge = of_values()
    gauge.send(b"what is this", 0.0)
    assert "12 bytes came, but no reading" in gauge.look(0.0).problem


def test_ascan_of_the_newest_reading() -> None:
    """The A-scan, its points and the thickness are of one reading, the newest."""
    gauge = of_ascans()
    gauge.send(frame((3.0, 60.0)) + frame((4.0, 70.0)), 0.0)
    state = gauge.look(0.0)
    assert state.ascan is not None
    assert state.ascan.time_of_flight == pytest.approx(4.05, abs=1e-3)
    assert state.time_of_flight == pytest.approx(4.05, abs=1e-3)
    assert state.thickness == pytest.approx(5.92 * (4.05 - 0.05) / 2, abs=5e-3)
    assert state.amplitude == pytest.approx(70.0, rel=0.02)
    gauge.link.echo = settings({"threshold": 80})
    assert (
        gauge.look(0.0).problem == "gate 'A': no echo reaches 80 %"
    )  # at once, on the same A-scan
    gauge.send(frame((4.0, 70.0)), 0.1)
    state = gauge.look(0.1)
    assert (state.thickness, state.time_of_flight) == (None, None)


def test_ascan_that_the_device_declares_invalid_gives_no_thickness() -> None:
    """An echo in it is drawn, and is no reading."""
    gauge = of_ascans()
    gauge.send(frame((4.0, 70.0), status=0), 0.0)
    state = gauge.look(0.0)
    assert state.ascan is not None
    assert state.ascan.time_of_flight is not None
    assert (state.thickness, state.time_of_flight) == (None, None)
    assert state.problem == "the instrument reports no echo"
    gauge.send(frame((4.0, 70.0)), 0.1)
    assert gauge.look(0.1).thickness is not None


def test_clipped_ascan_gives_no_thickness_unless_it_may() -> None:
    """As in a run: a clipped echo is not valid, unless the station file allows it."""
    gauge = of_ascans(saturation=60.0)
    gauge.send(frame((4.0, 70.0)), 0.0)
    state = gauge.look(0.0)
    assert state.thickness is None
    assert state.problem == "gate 'A': the echo is clipped: lower the gain"
    gauge.link.echo = settings(saturation=60.0, allow_saturated=True)
    assert gauge.look(0.0).thickness is not None


def test_without_a_calibration_that_applies_there_is_no_thickness() -> None:
    """The time of flight is shown, and why it is no thickness; the strip has its values in µs."""
    gauge = of_ascans()
    gauge.monitor.set_law(None, no_law="no thickness: other gates")
    gauge.send(frame((4.0, 70.0)), 0.0)
    state = gauge.look(0.0)
    assert state.thickness is None
    assert state.time_of_flight == pytest.approx(4.05, abs=1e-3)
    assert state.problem == "no thickness: other gates"
    assert state.strip_unit == "µs"
    assert state.strip[-1] is not None
    assert state.strip[-1].low == pytest.approx(4.05, abs=1e-3)
    gauge.monitor.set_law(LAW)
    gauge.send(frame((4.0, 70.0)), 0.5)
    state = gauge.look(0.5)
    assert state.strip_unit == "mm"
    assert [one.low for one in state.strip if one is not None] == [state.thickness]


def test_strip_has_the_extremes_of_each_half_second() -> None:
    """Every reading between two looks counts for its half second, those without an echo too."""
    gauge = of_values()
    gauge.send(b"10.0,70,ok\r\n10.6,70,ok\r\n9.9,2,no\r\n", 0.1)
    gauge.look(0.2)
    gauge.send(b"10.2,70,ok\r\n", 0.4)
    gauge.send(b"8.0,70,ok\r\n", 1.6)
    strip = gauge.look(1.7).strip
    assert len(strip) == 120
    first, *silent, last = strip[-4:]
    assert silent == [None, None]
    assert first is not None
    assert (first.low, first.high, first.invalid) == (10.0, 10.6, 1)
    assert last is not None
    assert (last.low, last.high) == (8.0, 8.0)
    assert all(one is None for one in gauge.look(70.0).strip)
