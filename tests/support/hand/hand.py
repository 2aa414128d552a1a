"""The inspector's hand: strokes, rests, lifts, steps and keys, each as long as a person takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from support.hand.bench import Bench
from support.hand.scanner import Scanner
from support.world.motion import MotionTable
from swathe.messages import StretchSnapshot, ZoneSnapshot
from swathe.pipeline.progress.fields import Extent

__all__ = ["LINES", "NAME", "OVERRUN_MM", "Advance", "Hand", "Plan"]

Advance = Literal["command", "return", "either end"]

OVERRUN_MM: Final = 6.0
NAME: Final = "A. Kern"

_STATION = """\
name = "bench"
[survey]
folder = "survey"
alert_below = "5 mm"
[scan]
length = "{length:g} mm"
resolution = "{cell:g} mm"
{mode}
device = "encoder"
counts_per_mm = 20
{index}
[device.encoder]
port = "/dev/encoder"
delay = "4 ms"
{rate}
[device.encoder.protocol]
columns = [{{ is = "constant", text = "P" }}, {clock}{{ is = "counts", axis = "scan", bits = 16 }}]
checksum = {{ kind = "xor", after = "*" }}
[device.gauge]
port = "/dev/gauge"
delay = "4 ms"
[device.gauge.protocol]
columns = [
  {{ is = "constant", text = "R" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
checksum = {{ kind = "xor", after = "*" }}
"""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What is to be scanned.

    Attributes:
        length: of a line, mm; the circumference of a pipe.
        cell: along it, mm.
        lines: number of them; 1 for a line profile.
        step: from line to line, mm.
        around: whether a line is a turn round a pipe.
        advance: what begins the next line.
        clock: whether the encoder has a clock.
    """

    length: float = 240.0
    cell: float = 3.0
    lines: int = 4
    step: float = 10.0
    around: bool = False
    advance: Advance = "command"
    clock: bool = True

    @property
    def text(self) -> str:
        """The station file."""
        index = (
            f'[index]\nlength = "{self.step * (self.lines - 1):g} mm"\n'
            f'resolution = "{self.step:g} mm"\nmode = "stepped"\nadvance = "{self.advance}"'
        )
        return _STATION.format(
            length=self.length,
            cell=self.cell,
            mode='mode = "wrapped"' if self.around else "",
            index=index if self.lines > 1 else "",
            rate="" if self.clock else 'rate = "100 Hz"',
            clock='{ is = "device_time", unit = "us" }, ' if self.clock else "",
        )


LINES: Final = Plan()
"""Lines that are stepped by hand."""


class Hand:
    """Moves a scanner and presses keys.

    Args:
        plan: what is to be scanned.
        rng: source of chance.

    Attributes:
        plan: as given.
        rng: as given.
        bench: the station.
        scanner: in the hand.
        speed: lowest and highest of a stroke, mm/s.
        line_from, line_to: where the present line began and is to end, mm.
        blocked: what cannot be scanned, from and to in mm, by line.
        stepped_at: when the hand stepped without a key, s.
        corrected: how often the board showed another line than the probe was on, and was set.
        faults: what the board's advice had wrong.
    """

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan = plan
        self.rng = rng
        self.bench = Bench(plan.text)
        self.scanner = Scanner(rng, clock=plan.clock)
        highest = 0.5 * plan.cell / 0.02
        self.speed = 0.45 * highest, highest
        self.line_from = self.line_to = 0.0
        self.blocked: dict[int, tuple[float, float]] = {}
        self.stepped_at = 0.0
        self.corrected = 0
        self.faults: list[str] = []

    @property
    def on_tape(self) -> float:
        """Where the probe is as the tape on the wall shows it, mm: on a pipe within its turn."""
        scan = self.scanner.scan
        return scan % self.plan.length if self.plan.around else scan

    def rest(self, seconds: float) -> None:
        """Hold still."""
        table = np.array([0.0, seconds])
        self._go(table, np.full(2, self.scanner.scan), np.full(2, self.scanner.row))

    def think(self, longest: float = 1.5) -> None:
        """Take the time of a person who looks and decides."""
        self.rest(float(self.rng.uniform(0.25, longest)))

    def tremble(self, seconds: float) -> None:
        """Stand with the small movements of a hand, of a count or two."""
        here = self.scanner.scan
        table = np.linspace(0.0, seconds, 12)
        scan = here + np.concatenate(([0.0], self.rng.uniform(-0.08, 0.08, 10), [0.0]))
        self._go(table, scan, np.full(12, self.scanner.row))

    def couple(self) -> None:
        """Set wheel and probe on the wall."""
        self.scanner.rolling = True
        self.scanner.coupled = True

    def lift(self) -> None:
        """Take wheel and probe off the wall."""
        self.scanner.rolling = self.scanner.coupled = False

    def stroke(self, to: float, *, speed: tuple[float, float] | None = None) -> None:
        """Move along the line to `to`, mm, with stops and short ways back at random."""
        here = self.scanner.scan
        if speed is None and abs(to - here) > 60.0:
            for share in np.sort(self.rng.uniform(0.15, 0.85, int(self.rng.integers(0, 3)))):
                stop = here + float(share) * (to - here)
                self.move(stop)
                kind = self.rng.random()
                if kind < 0.4:
                    self.tremble(float(self.rng.uniform(0.1, 1.2)))
                elif kind < 0.7:
                    self.move(stop - np.sign(to - here) * float(self.rng.uniform(4.0, 15.0)))
        self.move(to, speed=speed)

    def move(self, to: float, *, speed: tuple[float, float] | None = None) -> None:
        """Move along the line to `to`, mm, without a stop."""
        here = self.scanner.scan
        if abs(to - here) < 1e-6:
            return
        table = MotionTable(self.rng, here, self.scanner.row, speed or self.speed)
        table.move(to, self.scanner.row)
        motion = table.motion()
        self._go(motion.time, motion.scan, motion.index)

    def roll(self, to: float) -> None:
        """Roll the wheel to `to`, mm, with the probe off the wall: a return in the air."""
        self.scanner.rolling, self.scanner.coupled = True, False
        self.move(to, speed=(150.0, 420.0))

    def carry(self, to: float, row: float | None = None) -> None:
        """Lift everything off, and set the wheel down elsewhere: `to` in mm, on a line."""
        self.lift()
        row = self.scanner.row if row is None else row
        seconds = float(self.rng.uniform(0.4, 1.5))
        table = np.linspace(0.0, seconds, 20)
        self._go(
            table,
            np.linspace(self.scanner.scan, to, 20),
            np.linspace(self.scanner.row, row, 20),
        )

    def shift(self, row: float) -> None:
        """Shift the scanner across to another line, as it is: coupled or not."""
        table = np.linspace(0.0, float(self.rng.uniform(0.2, 0.8)), 20)
        rolling, self.scanner.rolling = self.scanner.rolling, False  # the wheel slides
        self._go(table, np.full(20, self.scanner.scan), np.linspace(self.scanner.row, row, 20))
        self.scanner.rolling = rolling

    def _go(
        self,
        time: np.ndarray[tuple[int], np.dtype[np.float64]],
        scan: np.ndarray[tuple[int], np.dtype[np.float64]],
        row: np.ndarray[tuple[int], np.dtype[np.float64]],
    ) -> None:
        # In pieces, so that alarms and gaps are those of the time at which somebody looks.
        self.bench.run(float(time[-1]), self.scanner.go(time, scan, row))

    # --- keys

    def _said(self, reply: str) -> bool:
        self.bench.replies.append(reply)
        return not reply.startswith("refused")

    def next_line(self) -> bool:
        """Press the key of the next line; return whether it was accepted."""
        return self._said(self.bench.commands.set_line(self.bench.pipeline.line + 1, NAME))

    def line(self, number: int) -> bool:
        """Set the line by its number; return whether it was accepted."""
        return self._said(self.bench.commands.set_line(number, NAME))

    def i_am_at(self, scan: float) -> bool:
        """Give the place of the probe, mm; return whether it was accepted."""
        return self._said(self.bench.commands.reference(scan, None, NAME))

    def note(self, text: str) -> None:
        """Put down a note."""
        self._said(self.bench.commands.note(text, NAME))

    def previous_line(self) -> bool:
        """Press the key of the previous line; return whether it was accepted."""
        return self._said(self.bench.commands.previous_line(NAME))

    def block_line(self) -> bool:
        """Press the key of a blocked line; return whether it was accepted."""
        return self._said(self.bench.commands.block_line(NAME))

    def discard(self, **stretch: Any) -> bool:
        """Discard a stretch; return whether that was accepted."""
        meant = StretchSnapshot(**stretch)
        return self._said(self.bench.commands.discard(meant, NAME, "slip of the hand"))

    def move_to(self, to: int, **stretch: Any) -> bool:
        """Move a stretch to another line; return whether that was accepted."""
        meant = StretchSnapshot(**stretch)
        return self._said(self.bench.commands.move(meant, to, NAME, "read on another line"))

    def restore(self, number: int) -> bool:
        """Take a revision back; return whether that was accepted."""
        return self._said(self.bench.commands.restore(number, NAME, "the wrong stretch"))

    def exclude(self, name: str, scan: tuple[float, float], index: tuple[float, float]) -> bool:
        """Exclude a zone; return whether that was accepted."""
        zone = ZoneSnapshot(name=name, scan=Extent(*scan), index=Extent(*index))
        return self._said(self.bench.commands.exclude(zone, NAME))
