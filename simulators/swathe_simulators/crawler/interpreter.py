"""What a block commands the crawler to do, by the modes in force."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from swathe_simulators.crawler.gcode import GcodeBlock, GcodeError
from swathe_simulators.crawler_models import CommandedModel

_INCH = 25.4
_MODAL_GROUPS = (
    frozenset({0, 10, 40, 280}),  # motion and what takes its place
    frozenset({200, 210}),
    frozenset({900, 910}),
    frozenset({940}),
)
_KNOWN_G = frozenset().union(*_MODAL_GROUPS)


class GcodeAction(Enum):
    """What a block may command."""

    NOTHING = "nothing"
    MOVE = "move"
    DWELL = "dwell"
    HOME = "home"
    ENABLE = "enable"
    DISABLE = "disable"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class GcodeCommand:
    """What a block commands.

    Attributes:
        action: what.
        scan: where to, mm; None where it does not move.
        index: likewise.
        speed: along the path, mm/s; None for as fast as it can.
        seconds: to dwell.
        axes: to home.
    """

    action: GcodeAction
    scan: float | None = None
    index: float | None = None
    speed: float | None = None
    seconds: float = 0.0
    axes: tuple[str, ...] = ()


class Interpreter:
    """Keeps the modes: G0 or G1, mm or inch, absolute or from here, feed per minute."""

    def __init__(self, model: CommandedModel) -> None:
        self._word = model.index_word
        self._per_mm = model.index_units_per_mm
        self._motion = 0
        self._unit = _INCH if model.units == "inch" else 1.0
        self._relative = False
        self._feed: float | None = None  # units per minute, as given

    def read(self, block: GcodeBlock, *, scan: float, index: float) -> GcodeCommand:
        """Return what a block commands, when the crawler will be at `scan`, `index` (mm) by then.

        Raises:
            GcodeError: it commands what the crawler does not support; nothing has changed.
        """
        self._check(block)
        g, m, values = block.g, block.m, block.values
        if 200 in g:
            self._unit = _INCH
        if 210 in g:
            self._unit = 1.0
        if 900 in g:
            self._relative = False
        if 910 in g:
            self._relative = True
        if "F" in values:
            self._feed = values["F"]
        if 17 in m:
            return GcodeCommand(GcodeAction.ENABLE)
        if 18 in m:
            return GcodeCommand(GcodeAction.DISABLE)
        if 114 in m:
            return GcodeCommand(GcodeAction.REPORT)
        if 40 in g:
            return GcodeCommand(GcodeAction.DWELL, seconds=values["P"])
        if 280 in g:
            named = [name for name, word in self._words() if word in values]
            return GcodeCommand(GcodeAction.HOME, axes=tuple(named or ("scan", "index")))
        if 0 in g or 10 in g:
            self._motion = 10 if 10 in g else 0
        return self._move(values, scan, index)

    def _words(self) -> tuple[tuple[str, str], ...]:
        return (("scan", "X"), ("index", self._word))

    def _check(self, block: GcodeBlock) -> None:
        for code in block.g:
            if code not in _KNOWN_G:
                raise GcodeError(f"unknown G{code / 10:g}")
        for group in _MODAL_GROUPS:
            if len(group & set(block.g)) > 1 or len([c for c in block.g if c in group]) > 1:
                raise GcodeError("two G words of one group")
        for code in block.m:
            if code not in (17, 18, 114):
                raise GcodeError(f"unknown M{code}")
        known = {"X", self._word, "F", "P"}
        odd = sorted(block.values.keys() - known)
        if odd:
            raise GcodeError(f"unknown word {odd[0]}")
        if block.values.get("F", 1.0) <= 0:
            raise GcodeError("feed must be > 0")
        if 40 in block.g and block.values.get("P", -1.0) < 0:
            raise GcodeError("G4 needs P >= 0")
        motion = 10 if 10 in block.g else 0 if 0 in block.g else self._motion
        moves = {"X", self._word} & block.values.keys() and 280 not in block.g
        if moves and motion == 10 and self._feed is None and "F" not in block.values:
            raise GcodeError("G1 needs a feed F")

    def _move(self, values: dict[str, float], scan: float, index: float) -> GcodeCommand:
        to_scan = to_index = None
        if "X" in values:
            to_scan = values["X"] * self._unit + (scan if self._relative else 0.0)
        if self._word in values:
            # Degrees are the same in inches.
            unit = self._unit if self._word == "Y" else 1.0
            to_index = values[self._word] * unit / self._per_mm
            to_index += index if self._relative else 0.0
        if to_scan is None and to_index is None:
            return GcodeCommand(GcodeAction.NOTHING)
        if self._motion == 0 or self._feed is None:
            return GcodeCommand(GcodeAction.MOVE, scan=to_scan, index=to_index)
        # The feed of a turn alone is in its own unit per minute.
        alone = to_scan is None and self._word == "A"
        feed = self._feed / self._per_mm if alone else self._feed * self._unit
        return GcodeCommand(GcodeAction.MOVE, scan=to_scan, index=to_index, speed=feed / 60.0)

    def position(self, scan: float, index: float) -> str:
        """Write a position (mm) as words in the units in force."""
        unit = self._unit if self._word == "Y" else 1.0
        there = index * self._per_mm / unit
        return f"X{scan / self._unit:.3f} {self._word}{there:.3f}"
