"""The gauge for spots: what its port gives while the probe is on a wall, or on none."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable

from swathe_simulators.spot_gauge import HeldSpot, SpotGauge

STEADY = HeldSpot(thickness_mm=12.0)
JUMPY = HeldSpot(thickness_mm=12.0, kind="jumpy", jump_mm=1.0)
DEAD = HeldSpot(thickness_mm=12.0, kind="dead")


def lines_until(port: int, enough: Callable[[list[str]], bool]) -> list[str]:
    """Return the lines that a port gave once they are enough."""
    data, end = b"", time.monotonic() + 30
    while not enough(found := data.decode().split("\r\n")[:-1]):
        assert time.monotonic() < end, found
        if select.select([port], [], [], 0.5)[0]:
            data += os.read(port, 4096)
    return found


def test_port_gives_what_is_under_the_probe() -> None:
    """Echoes of a steady spot agree, those of a jumpy one do not, a dead one has none."""
    with SpotGauge(seed=3) as gauge:
        port = os.open(gauge.port, os.O_RDWR | os.O_NOCTTY)
        try:
            os.set_blocking(port, False)
            assert "0.000,N" in lines_until(port, lambda found: len(found) > 2)
            gauge.put_on(STEADY)
            found = lines_until(port, lambda found: len(found) > 8 and found[-1].endswith("E"))
            walls = [float(one[:-2]) for one in found if one.endswith("E")]
            assert all(abs(wall - 12.0) < 0.05 for wall in walls)
            gauge.put_on(JUMPY)
            lines_until(port, lambda found: any(one < "11.5" for one in found if "E" in one))
            gauge.put_on(DEAD)
            lines_until(port, lambda found: found[-1:] == ["0.000,N"])
            gauge.lift()
            lines_until(port, lambda found: found[-1:] == ["0.000,N"])
        finally:
            os.close(port)


def test_silent_gauge_sends_nothing_without_an_echo() -> None:
    """As some gauges do; a dead spot is as silent as the air."""
    gauge = SpotGauge(silent=True)
    assert gauge._line(None) is None
    assert gauge._line(DEAD) is None
    assert gauge._line(STEADY) is not None


def test_same_seed_gives_the_same_readings() -> None:
    """Readings follow from the seed."""
    one, other = SpotGauge(seed=5), SpotGauge(seed=5)
    assert [one._line(JUMPY) for _ in range(50)] == [other._line(JUMPY) for _ in range(50)]
