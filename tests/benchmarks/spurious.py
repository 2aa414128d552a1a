"""Hits and false alarms of the rules for spurious readings, over 1,000 simulated walls of each kind.

Walls of 12 lines of 100 cells of 1 mm, nominal 10 mm, read once in each cell with noise of 0.03 mm or
0.1 mm: flat, tapered, rough (standard deviation 0.1 to 0.5 mm, correlated over some 3 cells), pitted (3 to 11
pits 3 to 8 cells wide), laminated (a patch at a third to a half of the depth). Each has one pit one beam
wide, a single cell 20 to 70 % deep, and up to four readings each that are doubled, halved, one
cycle of 5 MHz off, low noise or high noise; no two of them within five cells of one another. A reading
counts as found if its cell has any bit of its kind or is lone; a false alarm is a flagged cell
that was read well.

Run ``python tests/benchmarks/spurious.py``; it prints a table and ends with exit code 1 if the pit is
hidden in any run: it must be confirmed, or be listed with only thinner places before it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.pipeline.spurious.walls import KINDS, WALLS, Judged, Wall, flags_of, judge, random_wall
from swathe.reading_flags import SPURIOUS_BITS, ReadingFlag

__all__ = ["Counts", "main"]

RUNS = 1_000
NOISES = (0.03, 0.1)
_LOW = np.uint16(ReadingFlag.LONE_LOW | ReadingFlag.HALVED)


@dataclass
class Counts:
    """What was found in all runs of one kind of wall.

    Attributes:
        injected: readings by kind, and
        hits: those of them that were found.
        good: cells that were read well, and
        false: those of them that are flagged, and
        false_low: those flagged as low.
        pits_first: runs in which the pit is the raw minimum, and
        pits_listed_first: those of them in which it leads the list.
        hidden: runs in which the pit is neither confirmed nor listed behind thinner ones only.
        minimum_spurious: runs in which the confirmed minimum is a spurious reading.
    """

    injected: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    hits: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    good: int = 0
    false: int = 0
    false_low: int = 0
    pits_first: int = 0
    pits_listed_first: int = 0
    hidden: int = 0
    minimum_spurious: int = 0

    def add(self, wall: Wall, judged: Judged) -> None:
        """Count one run."""
        is_good = np.ones(judged.quality.shape, bool)
        is_good[wall.pit] = False
        for kind, cells in wall.spurious.items():
            is_good[cells] = False
            self.injected[kind] += cells.size
            found = judged.quality[cells] & np.uint16(flags_of(kind))
            self.hits[kind] += int(np.count_nonzero(found))
            self.minimum_spurious += int(judged.minimum in cells)
        self.good += int(np.count_nonzero(is_good))
        self.false += int(np.count_nonzero(judged.quality[is_good] & np.uint16(SPURIOUS_BITS)))
        self.false_low += int(np.count_nonzero(judged.quality[is_good] & _LOW))
        read, pit = wall.read.ravel(), wall.pit
        if judged.raw == pit and judged.unconfirmed[pit]:
            self.pits_first += 1
            self.pits_listed_first += judged.listed[:1] == [pit]
        if judged.unconfirmed[pit]:
            before = judged.listed[: judged.listed.index(pit)] if pit in judged.listed else None
            self.hidden += before is None or bool((read[before] > read[pit]).any())
        else:
            self.hidden += bool(read[judged.minimum] > read[pit])


def main() -> int:
    """Print the table; return 1 if a pit was hidden."""
    table = Table(title=f"{RUNS:,} walls of each kind, seeds 0 to {RUNS - 1}")
    for heading in ("wall", "noise mm", *(f"{kind} %" for kind in KINDS)):
        table.add_column(heading, justify="right")
    for heading in (
        "false per 10,000",
        "of them low",
        "minimum spurious",
        "pit first",
        "pit hidden",
    ):
        table.add_column(heading, justify="right")
    hidden = 0
    for kind in WALLS:
        for noise in NOISES:
            counts = Counts()
            for seed in range(RUNS):
                wall = random_wall(kind, np.random.default_rng(seed), noise=noise)
                counts.add(wall, judge(wall))
            hidden += counts.hidden
            table.add_row(
                kind,
                f"{noise:g}",
                *(f"{100 * counts.hits[k] / counts.injected[k]:.1f}" for k in KINDS),
                f"{1e4 * counts.false / counts.good:.2f}",
                f"{1e4 * counts.false_low / counts.good:.2f}",
                f"{counts.minimum_spurious:,}",
                f"{counts.pits_listed_first:,} of {counts.pits_first:,}",
                f"{counts.hidden:,}",
            )
    Console(width=170).print(table)
    return int(hidden > 0)


if __name__ == "__main__":
    sys.exit(main())
