"""Scenes of spots that are read by hand: steady, jumpy, dead, pressed twice, read again, forgotten."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from daemon.pipeline.scene_devices import Gauge
from daemon.pipeline.scenes import Scene
from daemon.spot_journal import SpotJournal, spot_station
from swathe.journal import Entry, MarkKind, PortChange

__all__ = ["SpotScene"]

_NAMES = tuple(f"P{number}" for number in range(1, 7))
_ASCAN_TABLES = '[store]\nwaveforms = true\n[calibration]\nvelocity = "6 mm/us"\n'


@dataclass(frozen=True, kw_only=True)
class SpotScene(Scene):
    """A survey of six spots.

    Attributes:
        couplings: of each spot.
        rule: for cells.
        ascans: whether the gauge sends A-scans, which are kept.
    """

    couplings: int = 1
    rule: str = "minimum"
    ascans: bool = False

    def __post_init__(self) -> None:
        text = spot_station(
            _NAMES,
            spots=f"couplings = {self.couplings}",
            survey=f'cell_rule = "{self.rule}"\nalert_below = "10 mm"',
            tables=_ASCAN_TABLES if self.ascans else "",
            gauge=_ascan_gauge() if self.ascans else "",
        )
        object.__setattr__(self, "station", text)

    def journal(self, seed: int) -> list[Entry]:
        """Return the journal of the scene."""
        rng = Random(f"{self.name} {seed}")
        hand = SpotJournal(self.station, seed=seed, ascans=self.ascans)
        for name in _NAMES:
            for _ in range(self.couplings):
                self._read(hand, name, rng)
        hand.mark(MarkKind.SPOT_REOPENED, spot="P1", by="K", because="wrong place")
        hand.read("P1", rng.uniform(9, 13))
        hand.end()
        hand.resume()
        if rng.random() < 0.5:
            _check(hand, rng)
        hand.read("P2", rng.uniform(9, 13))
        if self.ended:
            hand.end()
        return hand.entries

    def _read(self, hand: SpotJournal, name: str, rng: Random) -> None:
        """Read a spot as a hand may do it."""
        wall, what = rng.uniform(9, 13), rng.random()
        if what < 0.1:  # forgotten
            return
        if what < 0.2:
            hand.lift()
            hand.mark(MarkKind.SPOT_CLOSED, spot=name, by="K", because="pitted")
        elif what < 0.4:
            hand.read(name, wall, wall + rng.uniform(0.05, 0.5))
            if rng.random() < 0.5:
                hand.mark(MarkKind.SPOT_ACCEPTED, spot=name, by="K", because="rough")
        elif what < 0.5:
            hand.hold(wall)  # pressed twice
            hand.take(name)
        elif what < 0.6:
            hand.wait(rng.randint(200, 500))
            hand.hold(wall)
            hand.take(name)
        elif what < 0.7:
            for state in ("lost", "open"):
                hand.enter(PortChange(hand.time, "gauge", state, ""))
                hand.wait(50)
            hand.read(name, wall)
        else:
            hand.read(name, wall)


def _check(hand: SpotJournal, rng: Random) -> None:
    """Check the calibration on a block of 10 mm in between; it may fail."""
    begin = hand.time
    hand.mark(MarkKind.CHECK_BEGUN, phase="interval", by="K", tolerance=0.1, block="")
    hand.hold(rng.choice((10.0, 10.5)))
    hand.mark(MarkKind.CHECK_STEP, thickness=10.0, begin=begin, end=hand.time)
    hand.mark(MarkKind.CHECK_ENDED)


def _ascan_gauge() -> str:
    """Return the tables of a gauge that sends A-scans, without its name and port."""
    return Gauge(form="ascan", clock=None).table(()).partition("\n\n")[2]
