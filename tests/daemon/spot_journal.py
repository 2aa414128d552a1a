"""Journals of spots that are read by hand, made together with the pipeline that reads along.

What is taken is what the pipeline shows at that moment, as in a live run: a second pipeline that
is fed the journal must come to the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

from daemon.handmade import MS, START, ended, opened
from daemon.pipeline.scene_devices import Gauge
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.pipeline import Pipeline
from swathe.pipeline.spots.register import Spot
from swathe.pipeline.spots.survey_spots import SurveySpots
from swathe.pipeline.spots.watch import CouplingNow
from swathe.station import parse_station

__all__ = ["SpotJournal", "spot_station"]

_READING_MS = 20


def spot_station(
    names: Sequence[str] = ("P1", "P2", "P3"),
    *,
    spots: str = "",
    survey: str = "",
    tables: str = "",
    gauge: str = "",
) -> str:
    """Return a station file with spots and a gauge that sends thickness every 20 ms."""
    listed = ", ".join(f'{{ name = "{name}" }}' for name in names)
    return f"""name = "bench"
[survey]
folder = "survey"
nominal_thickness = "12 mm"
{survey}
[spots]
spot = [{listed}]
max_spread = "0.1 mm"
steady_for = "200 ms"
lifted_after = "300 ms"
{spots}
{tables}
[device.gauge]
port = "ports/gauge"
{gauge or _GAUGE}"""


_GAUGE = """protocol.columns = [
  { is = "thickness", unit = "mm" },
  { is = "status", valid = ["E"], invalid = ["N"] },
]
"""


class SpotJournal:
    """A journal that grows as the probe is put on, held and lifted.

    Args:
        text: of the station file.
        seed: of the noise of its readings.
        ascans: whether they are A-scans, as the gauge of a scene sends them.

    Attributes:
        entries: of the journal.
        pipeline: that was fed them.
        ms: since the start.
    """

    def __init__(self, text: str, *, seed: int = 1, ascans: bool = False) -> None:
        self._ascans = Gauge(form="ascan", clock=None) if ascans else None
        self.text = text
        self.pipeline = Pipeline(parse_station(text, "bench.toml"))
        self.entries: list[Entry] = []
        self.ms = 0
        self._random = Random(seed)
        self.enter(opened(text))
        self.enter(PortChange(self.time, "gauge", "open", ""))

    @property
    def time(self) -> int:
        """Host time now, ns: just after what the gauge sent last, which a tick then evaluates."""
        return START + self.ms * MS + 1

    def enter(self, entry: Entry) -> None:
        """Add an entry and feed it."""
        self.entries.append(entry)
        self.pipeline.feed(entry)

    def send(self, wall: float | None) -> None:
        """Let the gauge send a reading, mm, 20 ms after the one before; None for no echo."""
        self.ms += _READING_MS
        if self._ascans is not None:
            data = self._ascans.record(self.ms * 1000, 0, wall, 70.0, ())
        elif wall is None:
            data = b"0.000,N\r\n"
        else:
            data = f"{wall:.3f},E\r\n".encode()
        self.enter(Chunk(self.time - 1, "gauge", data))
        self.enter(Tick(self.time))

    def hold(self, *walls: float, noise: float = 0.01, ms: int = 400) -> None:
        """Hold the probe on, its readings one of the walls after the other, mm."""
        for k in range(ms // _READING_MS):
            self.send(walls[k % len(walls)] + self._random.uniform(-noise / 2, noise / 2))

    def lift(self, *, ms: int = 200) -> None:
        """Hold the probe in the air: readings without echo."""
        for _ in range(ms // _READING_MS):
            self.send(None)

    def wait(self, ms: int) -> None:
        """Let time pass without a byte."""
        self.ms += ms
        self.enter(Tick(self.time))

    def mark(self, kind: MarkKind, **detail: object) -> None:
        """Journal a mark."""
        self.enter(Mark(self.time, kind, dict(detail)))

    def now(self) -> CouplingNow:
        """Return what the gauge reads now."""
        return self.spots.coupling_now(self.time)

    def take(self, name: str, by: str = "K") -> None:
        """Take what the gauge reads now as a coupling of a spot."""
        now = self.now()
        link = self.pipeline.link_of()
        received = 0 if link is None else link.received
        self.mark(
            MarkKind.SPOT_READ, spot=name, first=now.first, last=now.last, received=received, by=by
        )

    def read(self, name: str, *walls: float, noise: float = 0.01) -> None:
        """Lift the probe, put it on a spot and take it."""
        self.lift()
        self.hold(*walls, noise=noise)
        self.take(name)

    def end(self, status: str = "incomplete") -> None:
        """End the run."""
        self.enter(ended(self.time, status))

    def resume(self) -> None:
        """Begin another run, 10 s later."""
        self.ms += 10_000
        utc = 1_800_000_000_000_000_000 + self.ms * MS
        self.enter(opened(self.text, time=self.time, utc=utc))

    @property
    def spots(self) -> SurveySpots:
        """The spots of the pipeline."""
        assert self.pipeline.spots is not None
        return self.pipeline.spots

    def spot(self, name: str) -> Spot:
        """Return a spot."""
        spot = self.spots.register.named(name)
        assert spot is not None
        return spot
