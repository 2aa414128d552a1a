"""A hand-held scanner whose counter starts again: nothing counts, and no line begins, until its place."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import pytest

from support.hand.bench import Bench, replay
from support.hand.scanner import Scanner

LENGTH: Final = 600.0
OFF_AT: Final = 310.0

TEXT: Final = """\
name = "bench"
[survey]
folder = "survey"
[scan]
length = "{length:g} mm"
resolution = "5 mm"
device = "encoder"
counts_per_mm = 20
[index]
length = "20 mm"
resolution = "10 mm"
mode = "stepped"
advance = "return"
[[mark]]
name = "weld 12"
scan = "{mark:g} mm"
[device.encoder]
port = "ports/encoder"
{rate}
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "P" }}, {clock}{{ is = "counts", axis = "scan", bits = 16 }},
]
[device.gauge]
port = "ports/gauge"
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "R" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""


class Hand:
    """A scanner on the wall, and the station that reads it.

    Args:
        clock: whether the encoder's records have a device time.
        mark: position of the mark of the station file, mm.
    """

    def __init__(self, *, clock: bool, mark: float) -> None:
        device_time = '{ is = "device_time", unit = "us" }, ' if clock else ""
        rate = "" if clock else 'rate = "100 Hz"'
        self.bench = Bench(TEXT.format(length=LENGTH, mark=mark, clock=device_time, rate=rate))
        self.scanner = Scanner(np.random.default_rng(7), clock=clock)
        self.scanner.rolling = True

    def move(self, to: float, speed: float) -> None:
        """Move along the line to `to`, mm, at a speed in mm/s."""
        scanner = self.scanner
        seconds = max(abs(to - scanner.scan) / speed, 0.02)
        time = np.linspace(0.0, seconds, max(round(seconds * 50), 2))
        scan = scanner.scan + (to - scanner.scan) * time / seconds
        self.bench.run(seconds, scanner.go(time, scan, np.full(time.shape, scanner.row)))

    def rest(self, seconds: float) -> None:
        """Hold still."""
        time = np.array([0.0, seconds])
        still = np.ones(2)
        scanner = self.scanner
        self.bench.run(seconds, scanner.go(time, scanner.scan * still, scanner.row * still))

    def farthest(self) -> float:
        """Return how far off the worst placed reading is, mm; infinite on another line."""
        _, seen = replay(self.bench.station, self.bench.journal)
        thickness, scan, index = seen.columns()
        truth = self.scanner.truth()
        number = truth.taken(thickness)
        assert (number >= 0).all()
        assert (np.abs(index - 10.0 * truth.row[number]) < 1.0).all()
        return float(np.abs(scan - truth.scan[number]).max())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("off", "moved", "speed"),
    [
        (0.02, 0.0, 150.0),
        (0.4, 40.0, 4.0),
        (2.5, -60.0, 150.0),
        (20.0, 40.0, 150.0),
        (20.0, 0.0, 4.0),
    ],
)
@pytest.mark.parametrize("how", ["unit", "port"])
@pytest.mark.parametrize("clock", [True, False])
def test_counter_that_starts_again_is_no_return_and_places_nothing(
    clock: bool, how: Literal["unit", "port"], off: float, moved: float, speed: float
) -> None:
    """Off at 310 mm for any time, carried or not, then moved slowly or fast, up to a named mark."""
    hand = Hand(clock=clock, mark=350.0)
    bench, scanner = hand.bench, hand.scanner
    hand.rest(1.0)
    scanner.coupled = True
    hand.move(OFF_AT, 150.0)
    hand.rest(0.3)
    if how == "port":
        bench.port("encoder", "lost", "pulled")
    scanner.switch_encoder(on=False)
    hand.rest(off / 2)
    scanner.rolling = False
    hand.move(OFF_AT + moved, max(abs(moved) / off * 2, 1.0))
    scanner.rolling = True
    hand.rest(off / 2)
    scanner.switch_encoder(on=True)
    if how == "port":
        bench.port("encoder", "open")
    hand.rest(0.2)
    hand.move(350.0, speed)
    hand.rest(3.0)  # records without a clock wait for others, which give them their times
    assert bench.pipeline.position[0] is None
    assert bench.raised("position lost")
    assert hand.farthest() < 3.0
    assert bench.pipeline.line == 0
    reply = bench.commands.reference(None, None, "K", mark="Weld 12")
    assert reply.startswith("the probe is at weld 12, scan 350 mm"), reply
    hand.rest(0.2)
    hand.move(LENGTH, 150.0)
    assert bench.pipeline.line == 0
    scanner.coupled = False
    hand.move(-20.0, 300.0)
    hand.rest(2.0)
    assert bench.pipeline.line == 1
    assert not bench.raised("position lost")
    bench.end()
    assert hand.farthest() < 3.0
