"""A gauge of a scene that is polled, and what goes wrong with its answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from daemon.pipeline.scene_devices import Gauge
from daemon.polled import Answers, Faults, Kind, poll
from swathe.journal import Entry
from swathe.station import parse_station, schedule_of

__all__ = ["PolledGauge"]

_COLUMN = '{ is = "thickness", unit = "mm", no_echo = [0.0] }'
_REGISTER = '{ is = "thickness", type = "float64", register = 0, unit = "mm", absent = [0.0] }'
_TIMEOUT_MS = 40.0


@dataclass(frozen=True, kw_only=True)
class PolledGauge(Gauge):
    """What gives the readings, when it is asked for them.

    Attributes:
        kind: how it is asked.
        faults: what goes wrong with its answers.
        latency: its shortest and longest, ms.
        every: ms from request to request.
        talk: more lines of its table `talk`.
        cut: share of the answers that come in two chunks.
    """

    kind: Kind = "text"
    faults: Faults = field(default_factory=Faults)
    latency: tuple[float, float] = (1.0, 12.0)
    every: int = 6
    talk: str = ""
    cut: float = 0.1

    def table(self, axes: tuple[str, ...]) -> str:  # noqa: ARG002  as of other gauges
        """Return its table in a station file."""
        protocol = f"[device.gauge.protocol]\ncolumns = [{_COLUMN}]\n"
        requests = f'poll = [{{ send = "M?\\r\\n", every = "{self.every} ms" }}]\n'
        if self.kind != "text":
            protocol = (
                'driver = "modbus"\n[device.gauge.protocol]\n'
                f'framing = "{self.kind}"\nevery = "{self.every} ms"\n'
                f"reads = [{{ fields = [{_REGISTER}] }}]\n"
            )
            requests = ""
        return (
            f'[device.gauge]\nport = "socket://gauge:1"\n{protocol}'
            f'[device.gauge.talk]\n{requests}timeout = "{_TIMEOUT_MS} ms"\n{self.talk}\n'
        )

    def exchange(
        self, wall: Callable[[int], float | None], rng: Random, begin: int, end: int, text: str
    ) -> list[Entry]:
        """Return what is sent, and what comes.

        Args:
            wall: thickness at a time in ns, mm; None without an echo.
            rng: source of chance.
            begin: when its port is opened, ns.
            end: of the run, ns.
            text: the station file.
        """
        schedule = schedule_of(parse_station(text, "bench.toml").device["gauge"])
        assert schedule is not None
        device = Answers(
            lambda time: wall(time) or 0.0,
            rng,
            latency=self.latency,
            faults=self.faults,
            timeout=_TIMEOUT_MS,
        )
        return poll("gauge", schedule, device, begin=begin, end=end, cut=self.cut)
